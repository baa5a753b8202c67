"""The power goes while the practice log is written. `cut`, boot, `look`."""

import sqlite3
import sys
import time
from pathlib import Path

from tests.machine.box import STATE, UNIT, USUAL, Box, command
from tests.real.wait import wait_for

LOG = STATE / "practice.sqlite"
SETTINGS = USUAL.replace("tempo = 120", "tempo = 260").replace('"vamp"', '"through"')
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
    ear = box.ear()
    box.start(SETTINGS)
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
    print(box.status())
    assert box.status()["state"] == "stopped"
    faults = [fault for fault in box.status()["faults"] if not fault.startswith("cannot sound")]
    assert faults == [], faults
    with sqlite3.connect(f"file:{LOG}?mode=ro", uri=True) as log:
        assert log.execute("PRAGMA integrity_check").fetchall() == [("ok",)]
    assert choruses() >= WRITTEN
    assert command("systemctl", "is-enabled", UNIT).strip() == "enabled"
    print(f"after the power cut: {choruses()} choruses in the log, no damage, ready by itself")


if __name__ == "__main__":
    {"cut": cut, "look": look}[sys.argv[1]]()
