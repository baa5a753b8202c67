"""A card that cannot be written: the box plays on, and says so."""

from pathlib import Path

from tests.machine.box import UNIT, command
from tests.real.wait import wait_for


def test_a_root_that_became_read_only(box):
    ear = box.ear()
    box.start()
    box.stop()
    command("sync")
    Path("/proc/sysrq-trigger").write_text("u")  # all file systems, as after an error of the card
    try:
        wait_for("a read-only root", ro)
        command("systemctl", "start", UNIT)
        faults = box.wait_fault("degraded")
        assert any("Read-only file system" in fault for fault in faults), faults
        box.play()
        wait_for("notes", ear.notes)
    finally:
        box.stop()
        command("mount", "-o", "remount,rw", "/")


def ro():
    root = next(line for line in Path("/proc/self/mounts").read_text().splitlines() if line.split()[1] == "/")
    return "ro" in root.split()[3].split(",")


def test_nothing_is_written_while_it_plays_but_at_the_end_of_a_chorus(box):
    box.ear()
    box.start()
    box.play()

    def written():
        lines = Path(f"/proc/{box.pid}/io").read_text().splitlines()
        return next(int(line.split()[1]) for line in lines if line.startswith("write_bytes"))

    before, files = written(), {file: file.stat().st_mtime_ns for file in Path("/var/lib/pedal").iterdir()}
    for degree in ("IV7", "I7"):
        box.tap()
        box.wait_status(degree=degree)
    assert box.status()["chorus"] == 1
    assert written() == before
    assert {file: file.stat().st_mtime_ns for file in Path("/var/lib/pedal").iterdir()} == files
