"""`pedal run` under a service manager: nobody is there, so it plays whatever can be played."""

import ast
import contextlib
import os
import re
import signal
import socket
import subprocess
import time
from pathlib import Path

import pytest

import pedal as package
from pedal.service.control.client import ask
from tests.support.commands import PEDAL, lonely

WIRED = '[gpio]\nfactory = "mock"\n[lamps]\nI = 5\nIV = 6\nV = 13\n'


class Service:
    """It, started as systemd would."""

    def __init__(self, folder: Path, settings: str, *arguments: str) -> None:
        self.folder, self.told, self._log = folder, [], folder / "journal"
        self._manager = socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM)
        self._manager.bind(str(folder / "notify"))
        self._manager.settimeout(30)
        (folder / "pedal.toml").write_text(settings)
        for name in ("state", "run"):
            (folder / name).mkdir(exist_ok=True)
        environ = {
            "NOTIFY_SOCKET": str(folder / "notify"),
            "STATE_DIRECTORY": str(folder / "state"),
            "RUNTIME_DIRECTORY": str(folder / "run"),
            "WATCHDOG_USEC": "3000000",
        }
        with self._log.open("w") as log:
            self.process = subprocess.Popen(
                [PEDAL, "run", "--config", str(folder / "pedal.toml"), *arguments],
                stdin=subprocess.DEVNULL,
                stdout=log,
                stderr=log,
                env={**lonely(), **environ},
            )
        self.wait("READY=1")

    @property
    def said(self) -> str:
        return self._log.read_text()

    def wait(self, what: str) -> None:
        """Wait until it tells the manager that."""
        while what not in self.told:
            try:
                self.told.append(self._manager.recv(4096).decode())
            except TimeoutError:
                raise AssertionError(f"never {what!r}, but {self.told}; {self.said}") from None

    def faults(self) -> list[str]:
        return ask([self.folder / "run/control"], "status")["status"]["faults"]

    def end(self) -> float:
        """Tell it to end; how long it takes."""
        began = time.monotonic()
        self.process.send_signal(signal.SIGTERM)
        assert self.process.wait(10) == 0, self.said
        return time.monotonic() - began

    def close(self) -> None:
        if self.process.poll() is None:
            self.process.kill()
            self.process.wait()
        self._manager.close()


@pytest.fixture
def service(tmp_path):
    running = []

    def start(settings=WIRED, *arguments):
        running.append(Service(tmp_path, settings, *arguments))
        return running[-1]

    yield start
    for one in running:
        one.close()


def test_it_feeds_the_watchdog_from_its_loop(service):
    run = service()
    run.wait("WATCHDOG=1")
    os.kill(run.process.pid, signal.SIGSTOP)  # hung: nothing more comes
    run._manager.settimeout(2.5)
    told = []
    with pytest.raises(TimeoutError):
        while True:
            told.append(run._manager.recv(4096))
    assert told.count(b"WATCHDOG=1") <= 1
    os.kill(run.process.pid, signal.SIGCONT)
    run._manager.settimeout(30)
    run.told.clear()
    run.wait("WATCHDOG=1")


def test_a_hung_loop_leaves_its_stacks(service, monkeypatch):
    """As the watchdog ends it: by SIGABRT, which the main thread gets.

    (A stopped process would give it to whichever thread wakes first, and Python cannot dump the stacks of
    others that run meanwhile: one dump in five came out torn.)
    """
    monkeypatch.setenv("PYTHONFAULTHANDLER", "1")
    run = service()
    os.kill(run.process.pid, signal.SIGABRT)
    assert run.process.wait(10) == -signal.SIGABRT
    assert "Fatal Python error: Aborted" in run.said
    assert run.said.count("hread 0x") >= 3 and "daemon.py" in run.said


def test_a_mistake_in_the_settings_does_not_stop_it(service):
    run = service(f"tempo = 9000\ncolour = 'blue'\n{WIRED}")
    assert "tempo = 9000: must be a number from 40 to 260" in run.said
    assert "colour: unknown key" in run.said and "ready: Wet Boots" in run.said
    assert any(fault.startswith("bad file: ") and "tempo = 9000" in fault for fault in run.faults())
    run.wait("STATUS=" + "; ".join(run.faults()))


def test_nor_does_a_file_that_is_none(service, tmp_path):
    (tmp_path / "state").mkdir()
    (tmp_path / "state/settings-kept.toml").write_text(WIRED)
    run = service("[[[")
    assert "is not TOML" in run.said and "GPIO by mock" in run.said, "the wiring of the last good file"


def test_nor_does_a_tune_that_nobody_knows(service, library):
    run = service(WIRED, "wet-bots")
    first = library.tune(library.names("tune")[0])
    assert "no tune is called 'wet-bots'" in run.said and f"ready: {first.title} in " in run.said
    assert any(fault.startswith("bad file: ") for fault in run.faults())


def test_without_a_synth_it_says_so_and_starts_none(service):
    run = service()
    assert any(fault.startswith("cannot sound: no MIDI: ") for fault in run.faults())
    assert "FluidSynth" not in run.said


def test_where_nothing_can_be_written(service, tmp_path):
    (tmp_path / "state").symlink_to("/proc")  # no file can be made there
    run = service()
    assert any(fault.startswith("degraded: nothing can be kept in ") for fault in run.faults())
    assert run.said.count("nothing can be kept") == 1


def test_told_to_end_it_is_gone_at_once(service):
    taken = []
    for _ in range(3):  # the machine may be busy with something else once
        run = service()
        run.process.poll()
        taken.append(run.end())
        run.close()
        (run.folder / "notify").unlink()
        if taken[-1] < 0.5:
            break
    assert min(taken) < 0.5, taken
    assert "Traceback" not in run.said


def test_nothing_listens_but_the_control_socket(service):
    run = service()
    pids = [run.process.pid, *map(int, _children(run.process.pid))]
    links = [link for pid in pids for link in _open_files(pid)]
    own = {match[1] for link in links if (match := re.fullmatch(r"socket:\[(\d+)\]", link))}
    network = [
        line
        for family in ("tcp", "tcp6", "udp", "udp6", "raw", "raw6")
        for line in Path(f"/proc/{run.process.pid}/net/{family}").read_text().splitlines()[1:]
        if line.split()[9] in own
    ]
    assert own and network == []
    # In /proc/net/unix the flag 00010000 marks a socket that accepts connections.
    unix = [line.split() for line in Path("/proc/net/unix").read_text().splitlines()[1:]]
    listening = [words[7:] for words in unix if words[6] in own and words[3] == "00010000"]
    assert [Path(path).parent for (path,) in listening] == [run.folder / "run"]


def _open_files(pid):
    """What a process holds open; what it closes while one looks is not held."""
    for link in Path(f"/proc/{pid}/fd").iterdir():
        with contextlib.suppress(FileNotFoundError):
            yield os.readlink(link)


def _children(pid):
    return Path(f"/proc/{pid}/task/{pid}/children").read_text().split()


WALL = {("time", "time"), ("time", "time_ns"), ("datetime", "now"), ("datetime", "utcnow")}
WALL |= {("datetime", "today"), ("time", "localtime"), ("date", "today"), ("time", "gmtime")}
DATES = {"practice_log"}  # the practice log writes down what day it was


class TestClock:
    """NTP steps a Pi that has no clock of its own by years: no timing may ask the wall clock."""

    def calls(self):
        root = Path(package.__file__).parent
        for file in sorted(root.rglob("*.py")):
            for node in ast.walk(ast.parse(file.read_text())):
                if isinstance(node, ast.Attribute) and isinstance(node.value, ast.Name):
                    yield file.relative_to(root), (node.value.id, node.attr)

    def test_no_timing_uses_the_wall_clock(self):
        found = [(str(file), call) for file, call in self.calls() if call in WALL]
        assert [one for one in found if one[0].split("/")[0] not in DATES] == []

    def test_it_would_be_found(self):
        assert ("time", "monotonic_ns") in {call for _, call in self.calls()}
        assert any(call in WALL for _, call in self.calls()), "the log's own"


def test_sequences_and_settings_are_data():
    """Nothing in the program evaluates, imports or runs what a file says."""
    root = Path(package.__file__).parent
    for file in root.rglob("*.py"):
        for node in ast.walk(ast.parse(file.read_text())):
            if isinstance(node, ast.Call) and isinstance(node.func, ast.Name):
                assert node.func.id not in ("eval", "exec", "compile", "__import__"), file
            if isinstance(node, ast.Import | ast.ImportFrom):
                names = [alias.name for alias in node.names] + [getattr(node, "module", None) or ""]
                assert not {"pickle", "marshal", "shelve", "yaml"} & {name.split(".")[0] for name in names}, (
                    file
                )
            if isinstance(node, ast.keyword) and node.arg == "shell":
                raise AssertionError(file)
