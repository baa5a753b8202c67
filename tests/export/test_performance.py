"""Performances: a Session's from count-in to silence, and what any outputs of a Session amount to."""

import time
from itertools import pairwise

import pytest

from pedal.commands.demo import play
from pedal.events import NS_PER_S, Command
from pedal.export.midi import midi_file
from pedal.export.performance import perform, performance_of
from pedal.library.library import Library
from pedal.music.drums import count_bars
from pedal.music.pitch import parse_key
from pedal.music.plan import make_plan
from pedal.session.actions import START_NS
from pedal.session.offline import drive
from pedal.session.session import Session
from pedal.session.settings import SessionSettings

LIBRARY = Library()


def plan_of(name, key=None, bpm=None):
    return make_plan(LIBRARY.tune(name), parse_key(key) if key else None, bpm)


def strokes(sends):
    """(ns, channel, key, velocity) of every note that begins."""
    return [(s.due, s.data[0] & 15, s.data[1], s.data[2]) for s in sends if s.data[0] & 0xF0 == 0x90]


@pytest.mark.parametrize("name", LIBRARY.names("tune"))
def test_every_tune_is_played_to_its_end(name):
    plan = plan_of(name)
    sends = perform(plan, 2, SessionSettings()).sends
    ons = strokes(sends)
    assert ons[0][:3] == (0, 9, 37)  # the first stick, at once
    played = {(s.chorus, s.bar) for s in sends if s.data[0] & 0xF0 == 0x90}
    for chorus, layout in ((1, plan.layout), (2, plan.last)):
        assert {bar for c, bar in played if c == chorus} == set(range(1, len(layout) + 1))
    assert max(chorus for chorus, _ in played) == 2
    assert list(sends) == sorted(sends, key=lambda send: send.due)
    sounding = set()
    for send in sends:
        kind, note = send.data[0] & 0xF0, (send.data[0] & 15, send.data[1])
        if kind == 0x90:
            sounding.add(note)
        elif kind == 0x80:
            sounding.discard(note)
    assert not sounding
    assert sends[-1].due - ons[-1][0] >= 2 * NS_PER_S  # what rings on is not cut off


def test_bars_lie_on_bar_lines():
    """Strict, so that a bar of count-in and eleven of music begin exactly on theirs."""
    plan = plan_of("wet-boots", bpm=120)
    sends = perform(plan, 1, SessionSettings(strict=True)).sends
    first = {}
    for send in sends:
        if send.data[0] & 0xF0 == 0x90 and send.part == "drums" and send.beat == 1:
            first.setdefault((send.chorus, send.bar), send.due)
    assert [first[1, bar] for bar in range(1, 13)] == [bar * 2 * NS_PER_S for bar in range(1, 13)]


def test_the_same_again_and_other_seeds():
    plan = plan_of("ferry-at-ten-past")
    once, again, other = (perform(plan, 2, SessionSettings(), seed) for seed in (5, 5, 6))
    assert once == again != other


def test_a_slow_ending_takes_its_time():
    plan = plan_of("kettle-before-six")
    beat = 60 * NS_PER_S * 1000 // plan.mbpm
    sends = perform(plan, 1, SessionSettings(strict=True)).sends
    ons = [s for s in sends if s.data[0] & 0xF0 == 0x90 and s.chorus == 1]
    at = [min(s.due for s in ons if (s.bar, s.beat) == (12, number)) for number in (1, 2, 3)]
    assert at[1] - at[0] == pytest.approx(beat, rel=1e-6)
    assert beat * 1.05 < at[2] - at[1] < beat * 1.2  # a quarter of 35 % has gone
    final = [s.due for s in sends if s.data[0] & 0xF0 == 0x80 and (s.bar, s.part) == (12, "chords")]
    assert max(final) - at[2] > 2.3 * beat  # the last two beats, held and slow


def test_programs_are_set_before_the_first_note(tmp_path):
    sends = perform(plan_of("umbrellas-in-the-hall"), 1, SessionSettings()).sends
    first_note = next(i for i, s in enumerate(sends) if s.data[0] & 0xF0 == 0x90)
    programs = {s.data[0] & 15: s.data[1] for s in sends[:first_note] if s.data[0] & 0xF0 == 0xC0}
    assert programs == {0: 27, 1: 33}  # printed 28 and 34: clean guitar, fingered bass (RP-003)
    volumes = {s.data[0] & 15: s.data[2] for s in sends[:first_note] if s.data[:2][1] == 7}
    assert volumes == {9: 104, 1: 96, 0: 98}


@pytest.mark.slow
def test_a_hundred_choruses_are_quick():
    plan = plan_of("wet-boots")
    midi_file(perform(plan, 1, SessionSettings()))
    start = time.process_time()
    midi_file(perform(plan, 100, SessionSettings()))
    assert time.process_time() - start < 5  # s of the processor


@pytest.mark.parametrize("name", LIBRARY.names("tune"))
def test_beats_are_those_of_count_in_intro_and_choruses(name):
    plan = plan_of(name)
    told = []
    performance = perform(plan, 2, SessionSettings(), began=told.append)
    beats = performance.beats
    intro = len(plan.layout) - plan.intro_bar + 1 if plan.intro_bar else 0
    count = count_bars(plan.feel.count, plan.mbpm) * plan.feel.beats
    form = (intro + len(plan.layout) + len(plan.last)) * plan.feel.beats
    assert [beat.counting for beat in beats] == [True] * count + [False] * form
    assert [beat.beat for beat in beats] == [1 + n % plan.feel.beats for n in range(count + form)]
    assert [beat.last for beat in beats].index(True) == count + form - len(plan.last) * plan.feel.beats
    assert all(beat.last for beat in beats[-len(plan.last) * plan.feel.beats :])
    assert told == [1, 2]
    lengths = [then.ns - one.ns for one, then in pairwise(beats)] + [performance.end - beats[-1].ns]
    written = 60 * 10**12 / plan.mbpm
    assert beats[0].ns == 0 and lengths[0] == pytest.approx(written, abs=2)
    assert min(lengths) > written - 2 and max(lengths) < written * 5


# ---- any outputs ------------------------------------------------------------------------


@pytest.fixture(scope="module")
def led_by_a_foot():
    """The demo: two choruses, silence, a vamp with early and late cues."""
    plan = plan_of("wet-boots")
    outputs = list(play(Session(plan), plan))
    return plan, performance_of(plan, outputs)


def test_a_late_cue_makes_a_bar_another_one_and_no_further_beat(led_by_a_foot):
    plan, performance = led_by_a_foot
    beat = 60 * 10**12 // plan.mbpm
    vamp = performance.beats[[b.bar for b in performance.beats].index(0, 50) + 4 :]
    vamp = vamp[[b.bar for b in vamp].index(1) :]
    assert {then.ns - one.ns for one, then in pairwise(vamp)} <= {beat, beat + 1}
    assert [b.beat for b in vamp] == [1 + n % 4 for n in range(len(vamp))]
    walked = [b.bar for b in vamp if b.beat == 1]
    assert {(2, 5), (6, 7), (8, 9), (9, 10)} <= set(pairwise(walked))


def test_silence_is_whole_bars_near_the_tempo(led_by_a_foot):
    plan, performance = led_by_a_foot
    beat = 60 * 10**12 // plan.mbpm
    starts = [*(b.ns for b in performance.beats), performance.end]
    silent = [index for index, b in enumerate(performance.beats) if b.bar == 0]
    before = [index for index in silent if index < 50]
    between = [index for index in silent if index >= 50]
    assert before == [0, 1, 2, 3] and starts[0] == 0 and starts[4] == beat * 3 // 2 + START_NS
    assert between == list(range(between[0], between[0] + len(between))) and len(between) % 4 == 0
    assert performance.beats[between[0]].beat == 1 and not performance.beats[between[0]].counting
    for index in between:
        assert 2 / 3 < (starts[index + 1] - starts[index]) / beat < 3 / 2


def test_what_is_cut_off_ends_with_its_last_beat():
    plan = plan_of("wet-boots", bpm=120)
    outputs = drive(Session(plan), [Command(0, "start")], 4 * NS_PER_S)
    performance = performance_of(plan, outputs)
    assert performance.end == performance.beats[-1].ns + NS_PER_S // 2


def test_silence_alone_is_no_performance():
    with pytest.raises(ValueError, match="nothing is played"):
        performance_of(plan_of("wet-boots"), drive(Session(plan_of("wet-boots")), [], NS_PER_S))
