"""MIDI clock for other machines: what the standard asks for, and that no note pays for it.

Values from the MIDI 1.0 Detailed Specification 4.2.1, p. 27-32. mido reads the bytes as a referee.
"""

import inspect
from itertools import pairwise

import mido
import pytest
from hypothesis import given
from hypothesis import strategies as st

from pedal.events import Command, Send, Stopped, Sync
from pedal.music.timeline import Timeline
from pedal.session.state import FREEZE_NS
from pedal.session.sync.clock_out import ClockOut
from tests.session import test_laws
from tests.support.band import MS, Run, S, bar_one, hold, plays, tap
from tests.support.examples import examples

lawful = examples(25)
UNTIL = 64 * S
KINDS = {"f8": "clock", "fa": "start", "fb": "continue", "fc": "stop", "f2": "songpos"}


def clocks(run):
    """What other machines get: when, and what mido makes of it."""
    parser, heard = mido.Parser(), []
    for sync in run.outputs:
        if isinstance(sync, Sync) and sync.to == "clock":
            parser.feed(sync.data)
            message = parser.get_message()
            assert parser.pending() == 0
            assert message.type == KINDS[sync.data[:1].hex()]
            heard.append((sync.due, message))
    return heard


def of(heard, kind):
    return [due for due, message in heard if message.type == kind]


class LampReceiver:
    """Another machine, as the standard describes it: where its song is after what it has heard."""

    def __init__(self):
        self.runs, self.pending, self.song, self.told = False, None, 0, None
        self.played = []  # (when, clock of the song)

    def hear(self, due, message):
        kind = message.type
        if kind == "start" and not self.runs:
            self.song, self.pending, self.told = 0, due, due
        elif kind == "continue" and not self.runs:
            self.pending = self.told = due
        elif kind == "stop":
            self.runs, self.pending = False, None
        elif kind == "songpos":
            assert not self.runs, "a song position while it plays"
            self.song = 6 * message.pos
        elif kind == "clock":
            if self.pending is not None:
                assert due - self.pending >= MS, "less than a millisecond from start to clock"
                self.runs, self.pending = True, None
            if self.runs:
                self.played.append((due, self.song))
                self.song += 1


def follower_of(run):
    follower = LampReceiver()
    for due, message in clocks(run):
        follower.hear(due, message)
    return follower


@pytest.mark.parametrize(
    ("tune", "bpm"), [("wet-boots", 120), ("wet-boots", 60), ("wet-boots", 90), ("third-bus-home", 70)]
)
def test_24_clocks_a_quarter(tune, bpm):
    """20.8333 ms at 120, 41.6667 at 60, 27.7778 at 90; a dotted quarter has 36."""
    run = Run(tap(0), 30 * S, (tune, None, bpm), clock_out=True)
    quarters = bpm * run.plan.feel.ticks / 480
    times = of(clocks(run), "clock")
    apart = {b - a for a, b in pairwise(time for time in times if time > bar_one(run.plan))}
    assert max(abs(ns - 60e9 / (24 * quarters)) for ns in apart) <= 1
    assert len([t for t in times if t < 25 * S]) > 25 * quarters / 60 * 24 - 3  # they run before it starts


def test_the_first_clock_after_start_is_bar_one_beat_one():
    run = Run(tap(0), 20 * S, clock_out=True)
    heard = clocks(run)
    (start,) = of(heard, "start")
    after = [due for due in of(heard, "clock") if due > start]
    assert after[0] == run.when(1, 1, 1)
    assert after[24] == run.when(1, 1, 2) and after[24 * 4] == run.when(1, 2)
    assert MS <= after[0] - start < after[1] - after[0]
    before = [due for due in of(heard, "clock") if due < start]
    assert before[-1] < start < after[0]


@pytest.mark.parametrize("bpm", [40, 259.9])
@pytest.mark.parametrize("tune", ["wet-boots", "third-bus-home"])
def test_at_least_a_millisecond_from_start_to_clock_at_every_tempo(tune, bpm):
    run = Run(tap(0), 40 * S, (tune, None, bpm), clock_out=True)
    follower = follower_of(run)
    assert follower.played[0][0] - follower.told >= MS


def test_a_stop_stops_and_rewinds():
    run = Run(tap(0) + hold(9 * S) + tap(12 * S), 20 * S, clock_out=True)
    heard = clocks(run)
    (stop,) = of(heard, "stop")
    assert stop == 9 * S + 700 * MS + FREEZE_NS + 1  # a hold is known after 700 ms
    position = next((due, m.pos) for due, m in heard if m.type == "songpos")
    assert position == (stop, 0)
    assert len(of(heard, "start")) == 2 and not of(heard, "continue")
    still = [due for due in of(heard, "clock") if stop < due < stop + 2 * S]
    assert {round((b - a) / 1000) for a, b in pairwise(still)} == {round(60e6 / (112 * 24))}


def test_an_ending_is_a_stop_before_the_clock_that_would_go_on():
    inputs = [*tap(0), Command(5 * S, "last")]
    run = Run(inputs, 60 * S, clock_out=True)
    (over,) = [mark.due for mark in run.results(Stopped)]
    heard = clocks(run)
    assert of(heard, "stop") == [over]
    order = [message.type for due, message in heard if due == over]
    assert order[0] == "stop"
    follower = follower_of(run)
    assert follower.played[-1][0] < over
    assert follower.song == 0


def test_stopped_in_the_count_in_nobody_was_started():
    run = Run(tap(0) + hold(2 * S), 10 * S, clock_out=True)
    assert {message.type for _, message in clocks(run)} == {"clock"}


def test_the_clock_goes_at_the_tempo_while_stopped():
    run = Run([Command(S, "tempo", 60)], 5 * S, clock_out=True)
    apart = [b - a for a, b in pairwise(of(clocks(run), "clock"))]
    assert abs(apart[0] - 60e9 / (112 * 24)) <= 1 and abs(apart[-1] - 60e9 / (60 * 24)) <= 1


def test_where_the_song_is_follows_the_tempo():
    """Whatever the tempo did, clock n of the song is where the band's n-th 24th of a quarter is."""
    inputs = [*tap(0), Command(7 * S, "tempo", 90), Command(11 * S + 3, "tempo", 201.5)]
    follower = follower_of(run := Run(inputs, 40 * S, clock_out=True))
    for index, (chorus, _, _, due) in enumerate(beat for beat in run.beats() if beat[0]):
        assert (due, 24 * index) in follower.played, (chorus, index)


def test_notes_go_first_at_the_same_moment():
    run = Run(tap(0), 20 * S, clock_out=True, strict=True)
    together = 0
    for before, after in pairwise(run.outputs):
        if isinstance(before, Sync) and isinstance(after, Send):
            assert before.due < after.due
        together += isinstance(before, Send) and isinstance(after, Sync) and before.due == after.due
    assert together > 20


def test_its_deadline_is_no_deadline_of_the_loop():
    session = Run(tap(0), 5 * S, clock_out=True).session
    plain = Run(tap(0), 5 * S).session
    assert session.deadline() == plain.deadline()
    assert plain.sync_deadline() is None
    assert 5 * S < session.sync_deadline() < 5 * S + 30 * MS


# ---- the laws -----------------------------------------------------------------------------


def in_company(play):
    inputs, options, the_plan = play
    return inputs, options | {"clock_out": True, "follow_out": True}, the_plan


COMPANY = plays().map(in_company)


LAWS = {
    name: signature
    for name, law in vars(test_laws).items()
    if name.startswith("test_")
    and hasattr(law, "hypothesis")
    and "play" in (signature := inspect.signature(law.hypothesis.inner_test).parameters)
}


def test_all_the_laws_are_here():
    assert len(LAWS) == 9


@pytest.mark.parametrize("law", LAWS)
def test_the_laws_hold_with_clock_and_followers(law):
    more = {
        "stride": st.sampled_from((8 * MS, 3 * S, 777 * MS)),
        "prepare": st.booleans(),
        "at_ms": st.integers(0, 60_000),
    }
    given_too = (more[name] for name in LAWS[law] if name != "play")
    lawful(given(COMPANY, *given_too)(getattr(test_laws, law).hypothesis.inner_test))()


@lawful
@given(plays())
def test_company_changes_no_note_and_no_lamp(play):
    inputs, options, the_plan = play
    alone = Run(inputs, UNTIL, the_plan, **options)
    along = Run(inputs, UNTIL, the_plan, **in_company(play)[1])
    assert [output for output in along.outputs if not isinstance(output, Sync)] == alone.outputs


@lawful
@given(COMPANY, st.integers(0, 60_000))
def test_an_input_changes_no_clock_before_the_freeze(play, at_ms):
    inputs, options, the_plan = play
    at = at_ms * MS
    with_it = Run(sorted([*inputs, *tap(at)], key=lambda e: e.at), UNTIL, the_plan, **options)
    without = Run(inputs, UNTIL, the_plan, **options)

    def early(run):
        return [
            output
            for output in run.outputs
            if isinstance(output, Sync)
            and (output.due <= at + FREEZE_NS if output.to == "clock" else output.due < at)
        ]

    assert early(with_it) == early(without)


@lawful
@given(COMPANY)
def test_any_play_is_good_for_another_machine(play):
    """Clocks in order, never two at once, at least 1 ms after a start; the beats are where the band's are."""
    inputs, options, the_plan = play
    run = Run(inputs, UNTIL, the_plan, **options)
    heard = clocks(run)
    dues = [due for due, _ in heard]
    assert all(b >= a - 1 for a, b in pairwise(dues))
    times = of(heard, "clock")
    assert len(set(times)) == len(times)
    follower = follower_of(run)
    per_beat = run.plan.feel.ticks // 20
    on_beat = {due for due, song in follower.played if song % per_beat == 0}
    # A late cue moves beat 1 on.
    assert {due for chorus, _, beat, due in run.beats() if chorus and beat > 1} <= on_beat


# ---- the class alone ------------------------------------------------------------------------


def test_goes_on_at_a_place_that_sixteenths_can_tell():
    """Clock 27 is no sixteenth: the others wait for clock 30, which is told as 5 (p. 27-29)."""
    clock = ClockOut(120_000, 480, 0)
    clock.pop(S)
    clock.started(Timeline(20 * 27, S + 30 * MS, 120_000, 480), 20 * 27, 27, S + 20 * MS)
    follower = LampReceiver()
    for sync in clock.pop(2 * S):
        follower.hear(sync.due, mido.Message.from_bytes(sync.data))
    assert follower.played[0] == (S + 30 * MS + 3 * 500 * MS // 24, 30)


def test_who_was_stopped_and_goes_on_is_told_no_place():
    clock = ClockOut(120_000, 480, 0)
    timeline = Timeline(0, 100 * MS, 120_000, 480)
    clock.started(timeline, 0, 0, 20 * MS)
    before = clock.pop(S)
    clock.stopped(S + 1, 120_000, rewind=False)
    song = sum(sync.data == b"\xf8" and sync.due >= 100 * MS for sync in before)
    clock.started(Timeline(20 * song, 3 * S, 120_000, 480), 20 * song, song, 2 * S)
    rest = [sync.data for sync in clock.pop(4 * S) if sync.data != b"\xf8"]
    assert rest == [b"\xfc", b"\xfb"]


def test_who_is_started_too_late_gets_what_was_missed_at_once():
    clock = ClockOut(120_000, 480, 0)
    clock.pop(S)
    clock.started(Timeline(0, S, 120_000, 480), 0, 0, S + FREEZE_NS)
    follower = LampReceiver()
    for sync in clock.pop(2 * S):
        follower.hear(sync.due, mido.Message.from_bytes(sync.data))
    assert follower.told == S + FREEZE_NS + 1
    assert [song for _, song in follower.played[:3]] == [0, 1, 2]
    assert follower.played[2][0] == S + 2 * 500 * MS // 24


def test_a_clock_that_is_due_at_once_is_moved_by_no_change_of_tempo():
    clock, timeline = ClockOut(120_000, 480, 0), Timeline(0, 0, 120_000, 480)
    for number, mbpm in enumerate((200_000, 60_000, 250_000, 40_000), 21):
        timeline = timeline.retimed(number * MS, mbpm)
        clock.moved(timeline, number * MS)
    assert clock.pop(S)[0].due == 500 * MS // 24
