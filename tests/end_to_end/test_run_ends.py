"""How `pedal run` ends and what it does when its synth comes and goes, with real parts."""

import os
import signal
import termios
import time

import numpy as np
import pytest

from pedal.library.plans import plan_for
from pedal.session.note_queue import quiet_controllers
from pedal.session.synth_setup import setup_messages
from tests.support.midi import SILENCE, hanging, is_note, notes_of, zeroed_after_last_note
from tests.support.servers import RATE, missing
from tests.support.wait import quiet_for, wait_for

pytestmark = pytest.mark.skipif(bool(missing()), reason=f"not installed: {', '.join(missing())}")

BRISK = "tempo = 130\n"  # the fastest that is counted in with one bar


@pytest.fixture
def play(jack, tmp_path):
    """Plays what it is given on a stage, again where the machine was too busy."""
    from tests.support.stage import calmly  # needs JACK's library

    return lambda piece: calmly(tmp_path / "stage", piece)


@pytest.fixture
def greeting(library):
    """What a port gets that has just come: silence, programs, volumes."""
    plan = plan_for(library, "wet-boots")
    return [send.data for send in quiet_controllers(0) + setup_messages(plan, 0)]


ENDS = {
    "SIGTERM": lambda desk: desk.signal(signal.SIGTERM),
    "SIGINT": lambda desk: desk.signal(signal.SIGINT),
    "Ctrl-C": lambda desk: desk.type("\x03"),
    "q": lambda desk: desk.type("q"),
    "the terminal closes": lambda desk: desk.hang_up(),
}


@pytest.mark.parametrize("end", ENDS)
def test_ends_in_silence(play, end):
    def piece(stage):
        ear = stage.ear("Listener")
        desk = stage.desk(BRISK + '[synth]\nport = "listener"\n')
        desk.type(" ")
        desk.wait_place(1, 2)
        wait_for("a bass note that sounds", lambda: any(channel == 1 for channel, _ in hanging(ear.data())))
        asked = time.monotonic()
        ENDS[end](desk)
        assert desk.end() == 0
        assert time.monotonic() - asked < 1.0
        quiet_for(0.2, lambda: len(ear.messages()))
        assert hanging(ear.data()) == set()
        assert zeroed_after_last_note(ear.data()) == SILENCE
        assert [data for data in ear.data() if is_note(data)] == notes_of(desk.trace())
        assert "Traceback" not in desk.said
        if end != "the terminal closes":
            assert termios.tcgetattr(desk.terminal) == desk.before

    play(piece)


def test_a_signal_while_starting_ends_it_too(play):
    """A port is named, so no child is waited for; the signal comes as early as may be."""

    def piece(stage):
        desk = stage.desk(BRISK + '[synth]\nport = "nobody"\n', wait=False)
        wait_for("handlers", lambda: _catches(desk.process.pid, signal.SIGTERM))
        desk.signal(signal.SIGTERM)
        assert desk.end() == 0
        assert "Traceback" not in desk.said
        assert termios.tcgetattr(desk.terminal) == desk.before

    play(piece)


def _catches(pid, number):
    with open(f"/proc/{pid}/status") as file:
        caught = next(line for line in file if line.startswith("SigCgt:"))
    return int(caught.split()[1], 16) >> (number - 1) & 1


def test_a_synth_of_its_own(play):
    """With no synth there and none named it starts one, which sounds, and is gone afterwards."""

    def piece(stage):
        ear = stage.ear("Audience", midi=False)
        desk = stage.desk(BRISK + '[synth]\nsoundfont = "/usr/share/sounds/sf2/TimGM6mb.sf2"\n')
        assert "synth: pedal-synth" in desk.said
        children = _children(desk.process.pid, "fluidsynth")
        assert len(children) == 1
        ear.listen_to_sound("pedal-synth")
        desk.type(" ")
        desk.wait_place(1, 3)
        assert np.abs(ear.sound()[1][-RATE // 2 :]).max() > 0.02
        desk.signal(signal.SIGTERM)
        assert desk.end() == 0
        assert not os.path.exists(f"/proc/{children[0]}")
        assert not ear.ports("pedal-synth")

    play(piece)


def _children(pid, name):
    """Process numbers of the children of that name."""
    with open(f"/proc/{pid}/task/{pid}/children") as file:
        children = [int(word) for word in file.read().split()]
    return [child for child in children if open(f"/proc/{child}/comm").read().strip() == name]


def test_a_synth_that_comes_late(play, greeting):
    def piece(stage):
        desk = stage.desk('[synth]\nport = "latecomer"\n')
        desk.wait_said("no MIDI port has 'latecomer' in its name.*; playing without sound until it comes")
        desk.type(" ")
        desk.wait_place(1, 2)
        ear = stage.ear("Latecomer")
        desk.wait_said("the synth is there")
        wait_for("notes", lambda: sum(map(is_note, ear.data())) > 10)
        assert ear.data()[: len(greeting)] == greeting
        desk.type("q")
        assert desk.end() == 0
        quiet_for(0.2, lambda: len(ear.messages()))
        # The first offs belong to notes that nobody heard.
        ons = [data for data in ear.data() if is_note(data)]
        assert ons == notes_of(desk.trace())[-len(ons) :]

    play(piece)


def test_a_synth_that_dies_and_comes_back(play, greeting):
    def piece(stage):
        stage.ear("Witness", midi=False)
        first = stage.synth("Mortal")
        desk = stage.desk(BRISK + '[synth]\nport = "mortal"\n')
        desk.type(" ")
        desk.wait_place(1, 2)
        assert sum(map(is_note, first.heard())) > 10
        first.kill()
        desk.wait_said("the synth is gone; the form goes on")
        line = desk.wait_trace("a line about it", lambda line: line["type"] == "fault")
        bar = next(line["bar"] for line in reversed(desk.trace()) if line["type"] == "position")
        desk.wait_place(bar + 1, 1, since=line)
        second = stage.synth("Mortal")
        desk.wait_said("the synth is there")
        wait_for("notes", lambda: sum(map(is_note, second.heard())) > 10)
        assert second.heard()[: len(greeting)] == greeting
        behind = [(line["sent_ns"] - line["due_ns"]) / 1e6 for line in desk.trace() if line["type"] == "note"]
        print(f"\nlate by {np.percentile(behind, [50, 95, 100])} ms (median, 95 %, most)")
        desk.type("q")
        assert desk.end() == 0
        second.stop()
        heard = [data for data in second.heard() if is_note(data)]
        assert heard == notes_of(desk.trace())[-len(heard) :]
        assert zeroed_after_last_note(second.heard()) == SILENCE
        positions = [line["at_ns"] for line in desk.trace() if line["type"] == "position"]
        assert np.ptp(np.diff(positions)) <= 1  # the form never stumbled

    play(piece)
