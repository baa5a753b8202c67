"""The installed service: its settings, its state, its journal, and a foot on its switch.

For the tests the unit is told, until the next boot, to use settings and a state folder of their own.
"""

import contextlib
import json
import os
import shutil
import socket
import subprocess
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

from tests.machine import pins
from tests.machine.ear import Ear
from tests.support.wait import wait_for

VENV = os.environ.get("PEDAL_MACHINE", "")
PROJECT = Path(__file__).resolve().parents[2]
SETTINGS = Path("/run/pedal-test/pedal.toml")
STATE = Path("/var/lib/pedal-test")
UNIT = "pedal.service"
OWN = Path(f"/run/systemd/system/{UNIT}.d/test.conf")
SWITCH = 17
LAMPS = {"I": 5, "IV": 6, "V": 13, "other": 19, "beat": 16, "ready": 26}
USUAL = f"""
tune = "wet-boots"
tempo = 120
[play]
mode = "vamp"
[synth]
port = "aseqdump"
[lamps]
{"".join(f"{lamp} = {pin}{chr(10)}" for lamp, pin in LAMPS.items())}
"""
SOON, LATER = 15.0, 60.0  # emulated machines are slow: these are no figures of a Pi


def command(*words: object, check: bool = True) -> str:
    done = subprocess.run(list(map(str, words)), capture_output=True, text=True, stdin=subprocess.DEVNULL)
    assert not check or done.returncode == 0, f"{words}: {done.stdout}{done.stderr}"
    return done.stdout + done.stderr


class Box:
    """One at a time."""

    def __init__(self) -> None:
        self.ears: list[Ear] = []
        self._cursor = ""

    @classmethod
    @contextlib.contextmanager
    def installed(cls) -> Iterator["Box"]:
        box = cls()
        try:
            try:
                box.install()
            except AssertionError:
                print(box.journal())
                raise
            box.set_apart()
            yield box
        finally:
            box.stop()
            OWN.unlink(missing_ok=True)
            shutil.rmtree(STATE, ignore_errors=True)
            command("systemctl", "daemon-reload")
            command("systemctl", "restart", UNIT, check=False)

    def install(self) -> str:
        return command(PROJECT / "systemd/install.sh", "--venv", VENV, "--no-synth")

    def set_apart(self) -> None:
        """Settings and state of our own from now on."""
        for folder in (OWN.parent, SETTINGS.parent):
            folder.mkdir(parents=True, exist_ok=True)
        OWN.write_text(
            "[Service]\nExecStart=\nExecStopPost=\nStateDirectory=\nStateDirectory=pedal-test\n"
            f"ExecStart={VENV}/bin/pedal run --config {SETTINGS}\n"
            f"ExecStopPost=-{VENV}/bin/pedal silence --config {SETTINGS}\n"
        )
        command("systemctl", "daemon-reload")

    # ---- the service ------------------------------------------------------------------------

    def start(self, settings: str = USUAL, keep: bool = False) -> None:
        """Start it afresh with these settings, as if it had never played; ready to play."""
        self.stop()
        if not keep:
            for file in STATE.glob("*"):
                file.unlink()
        SETTINGS.write_text(settings)
        command("systemctl", "start", UNIT)

    def stop(self) -> None:
        command("systemctl", "stop", UNIT)

    def show(self, name: str) -> str:
        return command("systemctl", "show", "-P", name, UNIT).strip()

    @property
    def pid(self) -> int:
        return int(self.show("MainPID"))

    def wait_back(self, restarts: int, seconds: float = LATER) -> None:
        """Wait until it has been restarted by itself, and is ready."""

        def back() -> bool:
            return int(self.show("NRestarts")) > restarts and self.show("ActiveState") == "active"

        wait_for("the service, again", back, seconds)

    def mark_journal(self) -> None:
        said = command("journalctl", "-n", "1", "--show-cursor", "-o", "cat")
        self._cursor = said.rpartition("-- cursor: ")[2].strip()

    def journal(self) -> str:
        """What the unit has said in this test."""
        after = ["--after-cursor", self._cursor] if self._cursor else []
        return command("journalctl", "-u", UNIT, "--no-pager", "-o", "short-monotonic", *after)

    # ---- playing ------------------------------------------------------------------------------

    def ask(self, name: str = "status", value: Any = None) -> dict[str, Any]:
        with socket.socket(socket.AF_UNIX) as control:
            control.settimeout(10)
            control.connect("/run/pedal/control")
            request = {"command": name} if value is None else {"command": name, "value": value}
            control.sendall(json.dumps(request).encode() + b"\n")
            return json.loads(control.makefile().readline())

    def status(self) -> dict[str, Any]:
        return self.ask()["status"]

    def wait_status(self, seconds: float = LATER, **wanted: Any) -> dict[str, Any]:
        """Wait until the status has these values; the status."""
        last: dict[str, Any] = {}

        def there() -> dict[str, Any] | None:
            last.update(self.status())
            return dict(last) if wanted.items() <= last.items() else None

        try:
            return wait_for(f"{wanted}", there, seconds)
        except AssertionError as error:
            raise AssertionError(f"{error}; it is {last}") from None

    def wait_fault(self, kind: str) -> list[str]:
        """Wait until there is a fault of a kind; all faults."""

        def there() -> list[str]:
            faults = self.status()["faults"]
            return faults if any(fault.startswith(kind) for fault in faults) else []

        return wait_for(f"a fault {kind!r}", there, SOON)

    def ear(self) -> Ear:
        """A synth is switched on."""
        self.ears.append(Ear())
        return self.ears[-1]

    def tap(self) -> None:
        """A tap that no other one follows so soon that both would be a double."""
        pins.press(SWITCH)
        time.sleep(0.5)

    def play(self) -> dict[str, Any]:
        """Tapped once: counted in, and on to where the foot is heard again."""
        self.tap()
        self.wait_status(state="playing", chorus=1)
        return wait_for("bar 1 to be over", self._heard_again, LATER)

    def _heard_again(self) -> dict[str, Any] | None:
        said = self.status()
        return said if said["state"] == "playing" and (said["bar"], said["beat"]) >= (1, 4) else None

    # ---- lamps --------------------------------------------------------------------------------

    @staticmethod
    def lit() -> frozenset[str]:
        """The lamps whose pins are high now."""
        return frozenset(lamp for lamp, pin in LAMPS.items() if pins.level(pin))

    def seen(self, seconds: float, ended=lambda: False) -> list[tuple[float, frozenset[str]]]:
        """Each set of lamps that was lit, one after the other, with how long it was."""
        seen: list[tuple[float, frozenset[str]]] = []
        end = since = time.monotonic()
        end += seconds
        now_lit = self.lit()
        while (now := time.monotonic()) < end and not ended():
            if (lit := self.lit()) != now_lit:
                seen.append((now - since, now_lit))
                since, now_lit = now, lit
            time.sleep(0.002)
        return [*seen, (time.monotonic() - since, now_lit)]


def have(program: str) -> bool:
    return shutil.which(program) is not None
