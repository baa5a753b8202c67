"""However it ends: nothing hangs on, it is back, and the journal knows why."""

import os
import signal
import time
from pathlib import Path

from tests.machine.box import LATER, SOON, UNIT, command
from tests.support.wait import wait_for


def playing(box):
    ear = box.ear()
    box.start()
    box.play()
    wait_for("notes", ear.notes, LATER)
    return ear


def test_killed_while_playing(box):
    ear = playing(box)
    assert box.ask("tempo", 137)["ok"]
    box.tap()
    box.wait_status(degree="IV7")
    box.ask("stop")
    box.wait_status(state="stopped", bpm=137)
    time.sleep(2.5)  # what is remembered is written when stopped
    box.play()
    wait_for("something that sounds", ear.sounding, LATER)
    restarts = int(box.show("NRestarts"))
    os.kill(box.pid, signal.SIGKILL)
    wait_for("silence", lambda: ear.sounding() == set(), LATER)
    box.wait_back(restarts)
    said = box.status()
    assert (said["state"], said["bpm"]) == ("stopped", 137), "in the saved state, and not playing"
    time.sleep(1)
    assert ear.sounding() == set()


def test_told_to_end_while_playing(box):
    ear = playing(box)
    wait_for("something that sounds", ear.sounding, LATER)
    command("systemctl", "stop", UNIT)
    assert ear.sounding() == set() and box.lit() == frozenset()
    assert box.show("Result") == "success" and "Traceback" not in box.journal()


def test_a_loop_that_hangs_is_killed_and_leaves_its_stacks(box):
    """A stopped process feeds no watchdog; systemd wakes it with SIGABRT, and faulthandler speaks.

    All threads wake at once, and Python cannot dump the stacks of others that run meanwhile: a torn dump is
    the stopping's own, not a hanging loop's, so it may be tried again.
    """
    ear = playing(box)
    for _ in range(3):
        restarts = int(box.show("NRestarts"))
        os.kill(box.pid, signal.SIGSTOP)
        box.wait_back(restarts)
        said = box.journal()
        assert "Watchdog timeout" in said
        assert "Fatal Python error: Aborted" in said and "most recent call first" in said
        if "daemon.py" in said:
            break
    assert "daemon.py" in said and said.count("Thread 0x") >= 3, "all stacks, the loop's among them"
    wait_for("silence", lambda: ear.sounding() == set(), LATER)
    assert box.status()["state"] == "stopped"


def test_a_runaway_loop_is_ended_by_its_limit_of_real_time(box):
    """The limits of the unit hold for the process that runs."""
    box.start()
    limits = Path(f"/proc/{box.pid}/limits").read_text()
    assert "Max realtime priority     40                   40" in limits
    assert "Max realtime timeout      500000               1000000" in limits


def test_it_is_started_again_however_often_it_dies(box):
    box.ear()
    box.start()
    for _ in range(6):  # systemd's own limit would be five in ten seconds
        restarts = int(box.show("NRestarts"))
        os.kill(box.pid, signal.SIGKILL)
        box.wait_back(restarts)
    assert box.status()["state"] == "stopped"


def test_the_clock_is_set_while_it_plays(box):
    """NTP on a Pi without a clock chip: an hour forward and back, and no beat is missed or rushed."""
    ear = playing(box)
    before, began = box.status(), time.monotonic()
    at = time.time()
    try:
        time.clock_settime(time.CLOCK_REALTIME, at + 3600)
        time.sleep(2)
        time.clock_settime(time.CLOCK_REALTIME, at - 3600)
        time.sleep(2)
        said, passed = box.status(), time.monotonic() - began
    finally:
        time.clock_settime(time.CLOCK_REALTIME, at + time.monotonic() - began)
    assert said["state"] == "playing"
    count = len(ear.notes())
    time.sleep(SOON / 5)
    assert len(ear.notes()) > count
    beats = (said["bar"] - before["bar"]) * 4 + said["beat"] - before["beat"]
    # A vamp goes round in four bars: whole turns do not matter.
    assert min(abs((beats - passed * 2) % 16), 16 - (beats - passed * 2) % 16) < 4
