"""The laws of the Session, under random presses, bounces, commands and tempi."""

from itertools import pairwise

import pytest
from hypothesis import given
from hypothesis import strategies as st

from pedal.events import BeatBegan, CommandDone, GestureDone, Light, Press, Release, Send
from pedal.music.degrees import parse_degree
from pedal.music.timeline import Timeline
from pedal.session.session import Session
from pedal.session.settings import SessionSettings
from pedal.session.state import FREEZE_NS
from tests.support.band import MS, Run, S, bar_one, plan, plays, tap
from tests.support.examples import examples

lawful = examples(40)
UNTIL = 64 * S


@lawful
@given(plays(), st.sampled_from((8 * MS, 3 * S, 777 * MS)), st.booleans())
def test_steps_do_not_matter(play, stride, prepare):
    """take(a) + take(b) is take(b): by deadline, by 8 ms or by 3 s, prepared or not, all the same."""
    inputs, options, the_plan = play
    by_deadline = Run(inputs, UNTIL, the_plan, **options)
    by_step = Run(inputs, UNTIL, the_plan, stride=stride, prepare=prepare, **options)
    assert by_step.outputs == by_deadline.outputs


@lawful
@given(plays())
def test_every_note_ends(play):
    inputs, options, the_plan = play
    run = Run(inputs, UNTIL, the_plan, **options)
    run.outputs += run.session.silence(UNTIL)
    sounding = {}
    for send in run.sends:
        status, key = send.data[0], send.data[1]
        if status & 0xF0 == 0x90:
            assert (status & 15, key) not in sounding, "a sounding key is struck without its off"
            sounding[status & 15, key] = send.due
        elif status & 0xF0 == 0x80:
            start = sounding.pop((status & 15, key))
            assert start < send.due
    assert not sounding


@lawful
@given(plays())
def test_outputs_come_in_order_of_time(play):
    inputs, options, the_plan = play
    dues = [output.due for output in Run(inputs, UNTIL, the_plan, **options).outputs]
    assert all(later >= sooner - FREEZE_NS for sooner, later in pairwise(dues))
    sends = [send.due for send in Run(inputs, UNTIL, the_plan, **options).sends]
    assert sends == sorted(sends)


@lawful
@given(plays(), st.integers(0, 60_000))
def test_an_input_changes_only_what_is_due_after_the_freeze(play, at_ms):
    inputs, options, the_plan = play
    at = at_ms * MS
    with_it = Run(sorted([*inputs, *tap(at)], key=lambda e: e.at), UNTIL, the_plan, **options)
    without = Run(inputs, UNTIL, the_plan, **options)

    def early(run):
        return [
            output
            for output in run.outputs
            if (isinstance(output, Send) and output.due <= at + FREEZE_NS)
            or (isinstance(output, Light) and output.due < at)
        ]

    assert early(with_it) == early(without)


@lawful
@given(plays())
def test_same_inputs_same_outputs(play):
    inputs, options, the_plan = play
    assert Run(inputs, UNTIL, the_plan, **options).outputs == Run(inputs, UNTIL, the_plan, **options).outputs


@lawful
@given(plays())
def test_lamps_show_the_degree_of_the_position(play):
    """At the end of every beat the lamp of its degree is lit, unless a press has just winked."""
    inputs, options, the_plan = play
    run = Run(inputs, UNTIL, the_plan, **options)
    latency = options["latency_ns"]
    lit, changes = set(), iter(run.lights)
    pending = next(changes, None)
    stops = [mark.due for mark in run.results(GestureDone) if mark.action == "stop"]
    stops += [mark.due for mark in run.results(CommandDone) if mark.name == "stop"]
    presses = [mark.due for mark in run.results(GestureDone)]
    positions = run.results(BeatBegan)
    for mark, after in pairwise(positions):
        if mark.degree is None:
            continue  # counting in, or the drill's bar of hi-hat
        # Just before the next position, shifted by the synth's latency.
        look = after.due + latency - 1
        if any(mark.due <= stop <= look for stop in stops) or after.chorus == 0 or after.due < mark.due:
            continue
        if any(look - 90 * MS <= press <= look for press in presses):
            continue  # a wink may be on
        while pending and pending.due <= look:
            (lit.add if pending.lit else lit.discard)(pending.lamp)
            pending = next(changes, None)
        assert parse_degree(mark.degree).lamp in lit


def most_flashes(lights, lamps):
    """The most flashes in any second: rises and falls in the number of lit lamps, in pairs."""
    lit = dict.fromkeys(lamps, False)
    changes = []
    for light in lights:
        if light.lamp in lit:
            before = sum(lit.values())
            lit[light.lamp] = light.lit
            changes.append((light.due, sum(lit.values()) - before))
    rises = [due for due in {due for due, _ in changes} if sum(c for d, c in changes if d == due) > 0]
    falls = [due for due in {due for due, _ in changes} if sum(c for d, c in changes if d == due) < 0]
    return max(
        (
            min(sum(start <= r < start + S for r in rises), sum(start <= f < start + S for f in falls))
            for start in (*rises, *falls)
        ),
        default=0,
    )


@lawful
@given(plays())
def test_never_a_fourth_flash_in_a_second(play):
    """WCAG 2.2, success criterion 2.3.1: no more than three flashes in any one second.

    A flash is a pair of opposing changes of luminance: on each lamp, and on all together.
    """
    inputs, options, the_plan = play
    lights = Run(inputs, 40 * S, the_plan, **options).lights
    for lamps in (("I",), ("IV",), ("V",), ("other",), ("I", "IV", "V", "other", "beat", "ready")):
        assert most_flashes(lights, lamps) <= 3, lamps


@lawful
@given(plays())
def test_bars_and_beats_add_up(play):
    """From one position to the next: the next beat, the next bar, a loop, a late change, or a new start."""
    inputs, options, the_plan = play
    run = Run(inputs, UNTIL, the_plan, **options)
    beats = run.plan.feel.beats
    for before, after in pairwise(run.results(BeatBegan)):
        b, a = before, after
        if a.chorus == 0 and (a.bar, a.beat) in ((1, 1), (1, beats)):
            continue  # a new start
        if a.beat == b.beat + 1:
            assert (a.chorus, a.bar) == (b.chorus, b.bar) or b.chorus == 0
        elif a.beat == 1:
            assert b.beat in (beats, 1)  # the bar is full, or a late cue moves beat 1 on
            if a.mode == b.mode:  # a drill counts its repetitions
                assert a.chorus - b.chorus in (0, 1)
        else:
            raise AssertionError((b, a))


@lawful
@given(plays())
def test_there_is_always_a_way_out(play):
    """From wherever the feet have got to, one hold stops, and after it one tap starts again."""
    inputs, options, the_plan = play
    run = Run(inputs, UNTIL, the_plan, **options)
    session = run.session
    at = UNTIL + 5 * S
    for switch in ("main", "second"):  # random edges may have left the foot on one
        session.handle(Release(UNTIL + S, switch))
    session.take(at)
    session.handle(Press(at))
    session.take(at + 900 * MS)
    session.handle(Release(at + 900 * MS))
    if session.report.mode == "through":  # out of a drill it goes back into the form first
        session.take(at + 2 * S)
        session.handle(Press(at + 2 * S))
        session.take(at + 2900 * MS)
        session.handle(Release(at + 2900 * MS))
    if session.report.state != "stopped":
        raise AssertionError(f"a hold does not stop {session.report.state}")
    session.take(at + 5 * S)
    for event in tap(at + 5 * S):
        session.take(event.at)
        session.handle(event)
    session.take(at + 10 * S)
    assert session.report.state in ("counting", "playing")


@given(st.integers(40_000, 260_000), st.sampled_from((480, 720)), st.integers(0, 15_600))
def test_beat_n_of_an_hour_lies_where_arithmetic_puts_it(mbpm, ticks, n):
    timeline = Timeline(0, 1_000_003, mbpm, ticks)
    assert timeline.at(n * ticks) == 1_000_003 + n * 60 * 10**12 // mbpm
    assert timeline.tick_at(timeline.at(n * ticks)) == n * ticks


@pytest.mark.slow
def test_an_hour_of_beats():
    """An hour at 112: every beat of the trace lies on its own multiple of the beat."""
    the_plan = plan()
    session = Session(the_plan, SessionSettings())
    for event in tap(0):
        session.take(event.at)
        session.handle(event)
    start = bar_one()
    beat, n = 0, 0
    now = 0
    while now < 3600 * S:
        now += 60 * S
        for output in session.take(now):
            if isinstance(output, BeatBegan) and output.chorus:
                expected = start + beat * 60 * 10**12 // the_plan.mbpm
                assert abs(output.due - expected) <= 1, (beat, output.due, expected)
                beat, n = beat + 1, n + 1
    assert n == (3600 * S - start) * 112 // (60 * S) + 1
