"""Two boxes on one JACK server: the first gives the clock, the second plays along, and an ear hears both."""

import bisect
from itertools import pairwise

import numpy as np
import pytest

from pedal.events import NS_PER_MS as MS
from tests.support.midi import hanging, is_note
from tests.support.servers import RATE, missing
from tests.support.wait import quiet_for, wait_for

pytestmark = pytest.mark.skipif(bool(missing()), reason=f"not installed: {', '.join(missing())}")

FIRST = 'tempo = 150\n[synth]\napi = "jack"\nport = "First Ear"\n[clock]\nout = "First Ear"\n'
SECOND = 'tempo = 100\n[synth]\napi = "jack"\nport = "Second Ear"\n[clock]\nin = "pedal-clock:out"\n'


@pytest.fixture(scope="module")
def performance(jack, tmp_path_factory):
    """Started and stopped by the foot of the first; the second is not touched."""
    from tests.support.stage import calmly  # needs JACK's library

    def play(stage):
        first_ear, second_ear = stage.ear("First Ear"), stage.ear("Second Ear")
        first = stage.desk(FIRST)
        first.wait_said("MIDI output 'First Ear:midi' is there")
        second = stage.desk(SECOND)
        wait_for("clocks", lambda: first_ear.data().count(b"\xf8") > 40)
        first.type(" ")
        line = second.wait_place(6, 1)
        first.type("h")
        second.wait_trace("the stop", lambda line: line["type"] == "stopped", since=line)
        first.type("q")
        assert first.end() == 0
        quiet_for(0.3, lambda: len(second_ear.messages()))
        second.type("q")
        assert second.end() == 0
        judge(first, second, first_ear, second_ear)
        return first, second, first_ear, second_ear

    return calmly(tmp_path_factory.mktemp("clock") / "stage", play)


def places(desk):
    return [line["at_ns"] for line in desk.trace() if line["type"] == "position" and line["chorus"] == 1]


def judge(first, second, first_ear, second_ear):
    """What the machine's load may spoil; all of it is looked at closely below."""
    leader, follower = places(first), places(second)
    apart = [(b - a) / MS for a, b in zip(leader[8:], follower[8:], strict=False)]
    assert len(apart) > 8 and max(map(abs, apart)) < 15, apart


def test_the_second_box_is_in_time_with_the_first(performance):
    first, second, *_ = performance
    leader, follower = places(first), places(second)
    apart = np.array([(b - a) / MS for a, b in zip(leader, follower, strict=False)])
    print("\nbeats of the second box after the first's, ms:", np.round(apart, 1))
    assert abs(np.median(apart[8:])) < 10
    tempo = 60e9 / np.diff(follower)[8:]
    assert np.abs(tempo.mean() / 150 - 1) < 0.005
    first_place = next(line for line in second.trace() if line["type"] == "position")
    assert (first_place["chorus"], first_place["bar"]) == (1, 1)  # no count-in


def test_what_goes_over_the_wire_is_what_the_standard_says(performance):
    first, _, ear, _ = performance
    told = [(m.frame, m.data) for m in ear.messages() if m.data[0] >= 0xF0]
    assert [data.hex() for _, data in told if data != b"\xf8"] == ["fa", "fc", "f20000"]
    frames = [frame for frame, data in told if data == b"\xf8"]
    start = next(frame for frame, data in told if data == b"\xfa")
    ahead = frames[bisect.bisect_right(frames, start)] - start
    assert RATE / 1000 <= ahead < RATE * 60 / 150 / 24
    played = [b - a for a, b in pairwise(frames) if a > start]
    assert abs(np.mean(played) / RATE - 60 / 150 / 24) < 0.0002
    notes = ear.frames_of(places(first)[:1])[0]
    assert abs(frames[bisect.bisect_right(frames, start)] - notes) < RATE * 0.012


def test_a_stop_is_silence_in_both(performance):
    for ear in performance[2:]:
        heard = [data for data in ear.data() if is_note(data)]
        assert len(heard) > 40 and hanging(heard) == set()
