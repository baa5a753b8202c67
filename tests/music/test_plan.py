"""The plan: where each beat stands in its chord, and what the lamps are told."""

from dataclasses import replace
from itertools import chain

import pytest
from hypothesis import given
from hypothesis import strategies as st

from pedal.library.library import Library
from pedal.music.forms import parse_bar
from pedal.music.pitch import parse_key
from pedal.music.plan import make_plan
from tests.support.examples import examples

from .playing import form_of, played, with_form

TUNE = Library().tune("wet-boots")
BARS = (
    "I7", "IV7", "V7", "I7 IV7", "I7 VI7@4", "ii7 V7", "I7 IV7@2 V7@3 I7@4", "I7 (#ivo7)@4", "IV7 (bII7)@3",
)  # fmt: skip


def beats(layout):
    return list(chain.from_iterable(layout))


@examples(60)
@given(st.lists(st.sampled_from(BARS), min_size=1, max_size=8), st.booleans())
def test_every_beat_knows_its_chord_and_the_next(bars, turnaround):
    tail = TUNE.turnaround if turnaround and len(bars) >= 2 else None
    cells = beats(make_plan(with_form(TUNE, *bars, turnaround=tail)).layout)
    count = len(cells)
    assert cells[0].beats_in == 0 and cells[-1].beats_left == 1
    for index, cell in enumerate(cells):
        after = cells[(index + 1) % count]
        if cell.beats_left > 1:
            assert after.beats_in == cell.beats_in + 1 and after.beats_left == cell.beats_left - 1
            assert after.sounding[0].chord == cell.sounding[0].chord
        else:
            assert after.beats_in == 0 and after.sounding[0] == cell.then
        ahead = [cells[(index + step) % count].form_chord for step in range(1, count + 1)]
        other = [step for step, place in enumerate(ahead, 1) if place != cell.form_chord]
        if other:
            assert (cell.coming_in, cell.coming) == (other[0], ahead[other[0] - 1])
        else:
            assert (cell.coming_in, cell.coming) == (0, -1)
        assert cell.tail_beat == (index - count + 8 if tail and index >= count - 8 else -1)


def test_a_passing_chord_sounds_but_is_no_place_in_the_form():
    plan = make_plan(with_form(TUNE, "I7 (#ivo7)@4", "IV7"), parse_key("C"))
    fourth = plan.layout[0][3]
    assert plan.chords[fourth.sounding[0].chord].symbol == "F♯o7"
    assert plan.chords[fourth.form_chord].symbol == "C7"
    assert (plan.chords[fourth.coming].symbol, fourth.coming_in) == ("F7", 1)
    assert plan.layout[0][0].coming_in == 4


def test_a_chord_between_the_beats_sounds_there():
    plan = make_plan(TUNE, parse_key("C"))
    second = plan.last[11][1]
    assert [(s.beat, plan.chords[s.chord].symbol) for s in second.sounding] == [(0, "C7"), (1.5, "D♭7")]
    assert plan.chords[second.form_chord].symbol == "C7"
    notes = next(n for h, n in played(plan, last=True, part="chords") if (h.bar, h.beat) == (12, 2))
    assert {note.key % 12 for note in notes} == {5, 11, 8}  # F C♭ A♭: third, seventh, fifth of D♭7


def test_what_comes_within_the_beat_is_not_coming_any_more():
    ending = replace(TUNE.ending, bars=(parse_bar("I7", 4), parse_bar("I7 V7@2.5 I7@3", 4, halves=True)))
    second = make_plan(replace(TUNE, ending=ending)).last[11][1]
    assert (second.coming, second.coming_in) == (-1, 0)


def test_the_last_chorus_ends():
    plan = make_plan(TUNE)
    last = plan.last[-1][-1]
    assert last.then is None and last.coming == -1
    assert plan.chords[last.form_chord].degree.lamp == "I"


def test_steps_of_a_vamp():
    plan = make_plan(replace(TUNE, turnaround=None, form=form_of(*["I7"] * 4, "IV7", "IV7", phrases=(1, 5))))
    assert plan.steps == {"bar": (1, 2, 3, 4, 5, 6), "phrase": (1, 5), "change": (1, 5)}
    assert [plan.step_start("change", bar) for bar in (1, 4, 5, 6)] == [1, 1, 5, 5]
    assert [plan.next_step("change", bar) for bar in (1, 4, 5, 6)] == [5, 5, 1, 1]


def test_a_bar_that_goes_on_with_the_chord_before_it_is_no_change():
    plan = make_plan(with_form(TUNE, "I7 IV7", "IV7", "V7"))
    assert plan.steps["change"] == (1, 3)


@pytest.mark.parametrize(("key", "bpm"), [(None, None), ("F#", 88.5)])
def test_key_and_tempo_are_the_tunes_unless_told(key, bpm):
    plan = make_plan(TUNE, parse_key(key) if key else None, bpm)
    assert (str(plan.key), plan.mbpm) == (("F♯", 88_500) if key else ("A", 112_000))
