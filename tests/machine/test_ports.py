"""The synth comes and goes: the form, the lamps and the foot go on."""

from pathlib import Path

from tests.machine.box import LATER
from tests.support.wait import wait_for

WAIT_S = 10.0  # 2 s on a Pi; an emulated machine needs longer for everything


def is_set_up(ear):
    """Silence, then a program for chords and bass, then volumes, and all of it before any note."""
    heard = ear.heard()
    first = next((n for n, (what, _) in enumerate(heard) if what == "Note on"), len(heard))
    before = heard[:first]
    quiet = {(n[0], n[1]) for what, n in before if what == "Control change" and n[1] in (64, 123, 120)}
    programs = {n[0] for what, n in before if what == "Program change"}
    volumes = {n[0] for what, n in before if what == "Control change" and n[1] == 7}
    return len(quiet) == 9 and {0, 1} <= programs and {0, 1, 9} <= volumes


def test_a_synth_that_comes_late_is_set_up_and_played(box):
    box.start()
    box.wait_fault("cannot sound")
    ear = box.ear()
    wait_for("silence, programs and volumes", lambda: is_set_up(ear), WAIT_S)
    assert box.status()["faults"] == []
    box.play()
    wait_for("notes", ear.notes, LATER)
    assert is_set_up(ear)


def test_a_synth_that_vanishes_and_returns_while_playing(box):
    first = box.ear()
    box.start()
    box.play()
    wait_for("notes", first.notes, LATER)
    first.close()
    box.wait_fault("cannot sound")
    assert "ready" in box.lit(), "while playing that lamp tells of a fault"
    box.tap()
    box.wait_status(degree="IV7", state="playing")  # the foot is heard, the form goes on
    second = box.ear()
    wait_for("silence, programs and volumes", lambda: is_set_up(second), WAIT_S)
    wait_for("notes", second.notes, LATER)
    assert is_set_up(second)
    said = box.status()
    assert said["state"] == "playing" and said["faults"] == []


def test_a_synth_that_restarts_between_two_looks(box):
    """Its name and number are as before: only the kernel knows that it is another one."""
    first = box.ear()
    box.start()
    for _ in range(3):
        first.close()
        second = box.ear()
        wait_for("silence, programs and volumes", lambda ear=second: is_set_up(ear), WAIT_S)
        first = second


def test_no_synth_of_its_own_is_started(box):
    box.start("[lamps]\nI = 5\n")
    children = Path(f"/proc/{box.pid}/task/{box.pid}/children").read_text().split()
    names = {Path(f"/proc/{child}/comm").read_text().strip() for child in children}
    assert "fluidsynth" not in names
