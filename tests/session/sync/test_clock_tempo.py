"""The tempo of another machine's clock, steady or not, and the one timeline that follows it."""

from itertools import pairwise

import pytest
from hypothesis import given
from hypothesis import strategies as st

from pedal.events import Command, Light, Send
from pedal.music.timeline import Timeline
from pedal.session.state import FREEZE_NS
from pedal.session.sync.clock_estimate import ClockEstimate
from pedal.session.sync.clock_in import Steer
from tests.support.band import MS, Run, S, tap
from tests.support.examples import examples
from tests.support.other_machine import FA, FB, FC, Machine, in_order, tempo_of

lawful = examples(30)
SWINGING = "ferry-at-ten-past"  # its swing follows the tempo


# ---- tempo --------------------------------------------------------------------------------


@pytest.mark.parametrize("jitter", [0, 1, 3, 10])
@pytest.mark.parametrize("bpm", [60, 96, 180])
def test_the_tempo_is_tracked_within_half_a_per_cent_after_two_bars(jitter, bpm):
    """The written tempo is 112, and the first clock of all is the downbeat."""
    for seed in range(4):
        machine = Machine(jitter, seed).say(FA).clock(bpm, 24 * 4 * 10)
        run = Run(in_order(machine.sent), int(machine.now))
        bars = [tempo_of(run, beat, beat + 4) / bpm - 1 for beat in range(8, 32, 4)]
        assert max(map(abs, bars)) < 0.005, bars
        beats = [due for *_, due in run.beats()]
        apart = [beats[n] - machine.meant[24 * n] for n in range(12, 36)]
        assert max(map(abs, apart)) < (1 + jitter / 2) * MS + MS / 2, apart


@pytest.mark.parametrize("jitter", [0, 1, 3, 10])
def test_another_tempo_is_tracked_within_two_bars(jitter):
    for seed, then in ((1, 126), (2, 112), (3, 150)):
        machine = Machine(jitter, seed).clock(120, 24).say(FA).clock(120, 24 * 16).clock(then, 24 * 24)
        run = Run(in_order(machine.sent), int(machine.now))
        assert abs(tempo_of(run, 24, 32) / then - 1) < 0.005 + 0.01 * (then == 150)
        beats = [due for *_, due in run.beats()]
        assert abs(beats[36] - machine.meant[24 + 24 * 36]) < 12 * MS


def test_a_steady_clock_is_left_alone():
    """Nothing is steered where there is nothing to mend, and no note comes from it twice or never."""
    machine = Machine().clock(112, 24).say(FA).clock(112, 24 * 60)
    run = Run(machine.sent, 30 * S)
    downbeat = int(machine.meant[24])
    alone = Run([Command(downbeat - 25 * MS, "start")], 40 * S)
    shift = alone.when(1, 1) - downbeat

    def notes(run, moved=0):
        return [
            (send.part, send.data, send.bar, send.beat) for send in run.ons() if send.bar > 1 and send.chorus
        ]

    count = len(notes(run))
    assert count > 300 and notes(run) == notes(alone)[:count]
    for one, two in zip(
        [send.due for send in run.ons() if send.chorus and send.bar > 1],
        [send.due - shift for send in alone.ons() if send.chorus and send.bar > 1],
        strict=False,
    ):
        assert abs(one - two) < MS


@lawful
@given(st.integers(0, 12), st.integers(0, 99), st.sampled_from(("wet-boots", "third-bus-home")))
def test_steering_loses_no_note_and_doubles_none(jitter, seed, tune):
    bpm = 112 if tune == "wet-boots" else 96
    steady = Machine(0).clock(bpm, 72).say(FA).clock(bpm, 24 * 36)
    shaky = Machine(jitter, seed).clock(bpm, 72).say(FA).clock(bpm, 24 * 36)
    until = int(steady.now)

    def struck(run):
        return sorted((s.bar, s.beat, s.part, s.data[1]) for s in run.ons() if (s.bar, s.chorus) < (8, 2))

    one = Run(in_order(steady.sent), until, (tune, None, None), swing=0.0)
    two = Run(in_order(shaky.sent), until, (tune, None, None), swing=0.0)
    assert struck(one) == struck(two) and len(struck(one)) > 100


def test_what_is_steered_begins_with_the_next_beat():
    session = Run(tap(0), 6 * S).session
    tick, ticks = session.position.tick, session.plan.feel.ticks
    here, there = session.state.timeline.at(tick), session.state.timeline.at(tick + ticks)
    middle = session.state.timeline.at(tick + ticks // 2)
    session.take(here + 100 * MS)
    session._grant(here + 100 * MS, [Steer(60_000)])
    assert [session.state.timeline.at(tick + part) for part in (0, ticks // 2, ticks)] == [
        here,
        middle,
        there,
    ]
    assert session.state.timeline.at(tick + 2 * ticks) - there == S


@pytest.mark.parametrize("bpm", [70, 170, 215])
def test_a_beat_keeps_its_swing_while_the_tempo_is_found(bpm):
    """No note of the first beats is lost or doubled because a swing that follows the tempo has moved it."""

    def struck(machine):
        run = Run(machine.sent, int(machine.now), (SWINGING, None, None))
        first = [beat[:3] for beat in run.beats()][:8]  # the intro is chorus 0
        return [
            sorted((s.part, s.data[1]) for s in run.ons() if (s.chorus, s.bar, s.beat) == place)
            for place in first
        ]

    known = Machine().clock(bpm, 48).say(FA).clock(bpm, 24 * 9)
    unknown = Machine().say(FA).clock(bpm, 24 * 9)
    assert struck(known) == struck(unknown)
    assert sum(map(len, struck(known))) > 15


@lawful
@given(st.integers(0, 12), st.integers(0, 99))
def test_time_never_jumps(jitter, seed):
    """From beat to beat the tempo moves by a few per cent at most, however the clock shakes."""
    machine = Machine(jitter, seed).clock(120, 48).say(FA).clock(120, 24 * 40)
    beats = [due for *_, due in Run(in_order(machine.sent), 20 * S).beats()]
    tempi = [60e9 / (b - a) for a, b in pairwise(beats[2:])]
    assert all(abs(b / a - 1) < 0.05 for a, b in pairwise(tempi)), tempi


@lawful
@given(st.integers(0, 12), st.integers(0, 99), st.integers(1_500, 9_000))
def test_one_clock_changes_only_what_is_due_after_the_freeze(jitter, seed, at_ms):
    machine = Machine(jitter, seed).clock(120, 24).say(FA).clock(120, 24 * 16)
    events = in_order(machine.sent)
    at = at_ms * MS

    def early(events):
        run = Run(events, 10 * S)
        return [
            output
            for output in run.outputs
            if (isinstance(output, Send) and output.due <= at + FREEZE_NS)
            or (isinstance(output, Light) and output.due < at)
        ]

    assert early(events) == early([event for event in events if event.at < at])


@lawful
@given(st.integers(0, 10), st.integers(0, 99), st.sampled_from((8 * MS, 3 * S, 777 * MS)), st.booleans())
def test_steps_do_not_matter(jitter, seed, stride, prepare):
    machine = Machine(jitter, seed).clock(97, 24).say(FA).clock(131, 24 * 12).say(FC).clock(120, 30)
    machine.say(FB).clock(110, 60).rest(S).clock(110, 40)
    events = in_order([*machine.sent, *tap(5 * S)])
    usual = Run(events, 14 * S, clock_out=True, follow_out=True)
    steps = Run(events, 14 * S, stride=stride, prepare=prepare, clock_out=True, follow_out=True)
    assert steps.outputs == usual.outputs


def test_turns_within_a_beat_leave_what_was_before():
    timeline = Timeline(0, S, 120_000, 480)
    for tick, mbpm in ((480, 60_000), (600, 200_000), (700, 90_000), (800, 150_000)):
        timeline = timeline.turned(tick, mbpm)
    assert [timeline.at(tick) for tick in (0, 240, 480, 600)] == [S, S + 250 * MS, S + 500 * MS, S + 750 * MS]
    assert [timeline.mbpm_at(tick) for tick in (0, 479, 480, 650, 750, 900)] == [
        120_000,
        120_000,
        60_000,
        200_000,
        90_000,
        150_000,
    ]


def test_least_squares():
    steady = ClockEstimate()
    for n in range(40):
        steady.add(n, 10**15 + n * 20_833_333)
    line = steady.line()
    assert abs(line.interval - 20_833_333) < 1 and abs(line.at(40) - 10**15 - 40 * 20_833_333) < 10
    steady.clear()
    assert steady.line() is None
