"""What only a boot mends: the power goes while the practice log is written; the root becomes read-only.

`cut`, boot, `look`, `read-only`, boot.
"""

import sqlite3
import sys
import time
from pathlib import Path

from tests.machine.box import SETTINGS, STATE, UNIT, USUAL, Box, command
from tests.support.wait import wait_for

LOG = STATE / "practice.sqlite"
FAST = USUAL.replace("tempo = 120", "tempo = 260").replace('"vamp"', '"through"')
WRITTEN = 2  # choruses that are on the disk before it happens


def choruses() -> int:
    if not LOG.exists():
        return 0
    with sqlite3.connect(f"file:{LOG}?mode=ro", uri=True, timeout=5) as log:
        try:
            return log.execute("SELECT count(*) FROM chorus").fetchone()[0]
        except sqlite3.OperationalError:
            return 0


def cut() -> None:
    box = Box()
    box.install()
    box.set_apart()
    ear = box.ear()
    box.start(FAST)
    command("sync")
    box.play()
    wait_for(f"{WRITTEN} choruses in the log", lambda: choruses() >= WRITTEN, 120)
    assert ear.notes()
    chorus = box.status()["chorus"]
    wait_for("the end of another chorus", lambda: box.status()["chorus"] > chorus, 60)
    Path("/proc/sysrq-trigger").write_text("b")  # at once, without writing anything back
    time.sleep(30)


def look() -> None:
    box = Box()
    wait_for("the service, started by the boot", lambda: box.show("ActiveState") == "active", 120)
    assert box.status()["state"] == "stopped"
    assert choruses() >= WRITTEN
    box.set_apart()
    box.start(FAST, keep=True)
    faults = [fault for fault in box.status()["faults"] if not fault.startswith("cannot sound")]
    assert faults == [], faults
    with sqlite3.connect(f"file:{LOG}?mode=ro", uri=True) as log:
        assert log.execute("PRAGMA integrity_check").fetchall() == [("ok",)]
    assert choruses() >= WRITTEN, "the box that reads it has not thrown it away"
    assert command("systemctl", "is-enabled", UNIT).strip() == "enabled"
    print(f"after the power cut: {choruses()} choruses in the log, no damage, ready by itself")


def read_only() -> None:
    """As after an error of the card: all file systems at once."""
    box = Box()
    box.set_apart()
    SETTINGS.write_text(USUAL)
    ear = box.ear()
    command("systemctl", "stop", UNIT)
    command("sync")
    Path("/proc/sysrq-trigger").write_text("u")
    wait_for("a read-only root", _is_read_only)
    command("systemctl", "start", UNIT)
    faults = box.wait_fault("degraded")
    assert any("Read-only file system" in fault for fault in faults), faults
    box.play()
    wait_for("notes", ear.notes)
    box.tap()
    box.wait_status(degree="IV7")
    command("systemctl", "stop", UNIT)
    assert ear.sounding() == set()
    print("on a read-only root: it plays, and says that it is degraded. Boot this machine afresh.")


def _is_read_only() -> bool:
    mounts = [line.split() for line in Path("/proc/self/mounts").read_text().splitlines()]
    return any(place == "/" and "ro" in options.split(",") for _, place, _, options, *_ in mounts)


if __name__ == "__main__":
    {"cut": cut, "look": look, "read-only": read_only}[sys.argv[1]]()
