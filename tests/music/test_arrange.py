"""Composing as a whole: pure, deterministic, in range, and human within limits."""

import random
import subprocess
import sys
from dataclasses import replace
from statistics import mean, pstdev

import pytest
from hypothesis import given
from hypothesis import strategies as st

from pedal.library.library import Library
from pedal.music.arrange import compose
from pedal.music.beat import PARTS, Band
from pedal.music.humanize import BASS, CHORDS, DRUM_SPREADS, roll, vary
from pedal.music.pitch import MAJOR_KEYS, MINOR_KEYS, parse_key
from pedal.music.plan import make_plan
from tests.support.examples import examples

from .playing import contexts, played

MS = 1_000_000
TUNES = {name: Library().tune(name) for name in Library().names("tune")}


@st.composite
def plans(draw):
    tune = TUNES[draw(st.sampled_from(sorted(TUNES)))]
    key = parse_key(draw(st.sampled_from(MINOR_KEYS if tune.key.minor else MAJOR_KEYS)))
    return make_plan(tune, key, draw(st.integers(40, 260)))


@examples(25)
@given(plans(), st.integers(0, 2**31), st.integers(0, 500), st.booleans())
def test_every_note_can_be_sent(plan, seed, chorus, last):
    # MIDI 1.0: keys and velocities are 0 to 127, a note-on of velocity 0 is a note-off.
    for here, notes in played(plan, Band(seed=seed), chorus, last):
        end = here.tick + plan.feel.ticks
        for note in notes:
            assert 0 <= note.key <= 127 and 1 <= note.velocity <= 127
            assert here.tick <= note.tick < end and note.tick < note.end
            assert note.part in PARTS
            # Early by no more than the loop composes ahead; late by less than listeners mind
            # between drums and bass: 19 ms, J. New Music Research 46(4), 2017.
            assert -15 * MS <= note.shift <= 19 * MS


@examples(15)
@given(plans(), st.integers(0, 2**31), st.randoms(use_true_random=False))
def test_a_beat_is_the_same_whenever_it_is_composed(plan, seed, shuffler):
    band, bpm = Band(seed=seed), plan.mbpm / 1000
    places = list(contexts(plan))
    inorder = {here: compose(plan, here, band, bpm) for here in places}
    shuffler.shuffle(places)
    state = random.getstate()
    assert {here: compose(plan, here, band, bpm) for here in places} == inorder
    assert random.getstate() == state


def test_a_beat_is_the_same_in_another_process():
    program = (
        "from pedal.library.library import Library\nfrom pedal.music.plan import make_plan\n"
        "from pedal.music.beat import Band\nfrom tests.music.playing import played\n"
        "print(played(make_plan(Library().tune('wet-boots')), Band(seed=9), 2))"
    )
    here = repr(played(make_plan(TUNES["wet-boots"]), Band(seed=9), 2))
    other = subprocess.run([sys.executable, "-c", program], capture_output=True, text=True, check=True)
    assert other.stdout.strip() == here


def test_another_seed_or_chorus_varies():
    plan = make_plan(TUNES["wet-boots"])
    base = played(plan, Band(seed=1), 1)
    for other in (played(plan, Band(seed=2), 1), played(plan, Band(seed=1), 2)):
        assert [notes for _, notes in other] != [notes for _, notes in base]


def test_strict_is_on_the_grid():
    plan = make_plan(TUNES["wet-boots"])
    for _, notes in played(plan, Band(strict=True)):
        assert all(note.shift == 0 for note in notes)


@pytest.mark.parametrize("spread", [*DRUM_SPREADS.values(), BASS, CHORDS])
def test_variation_stays_within_its_spread_and_fills_it(spread):
    varied = [vary(roll(f"1/tune/{n}"), spread) for n in range(4000)]
    shifts = [shift / MS for shift, _ in varied]
    assert max(abs(shift - spread.mean_ms) for shift in shifts) <= spread.width_ms + 1e-6
    assert {change for _, change in varied} == set(range(-spread.velocity, spread.velocity + 1))
    assert abs(mean(shifts) - spread.mean_ms) <= 0.3
    # Drummers against a click stray by 14.9 to 27.1 ms (SD, Groove MIDI): stay below them.
    assert pstdev(shifts) <= 14.9
    if spread.width_ms:
        assert pstdev(shifts) > spread.width_ms / 4


def test_who_does_not_play_is_silent():
    plan = make_plan(TUNES["wet-boots"])
    for absent in PARTS:
        band = Band(parts=frozenset(PARTS) - {absent})
        parts = {note.part for _, notes in played(plan, band) for note in notes}
        assert parts == set(PARTS) - {absent}


def test_a_missing_part_changes_nothing_for_the_others():
    plan = make_plan(TUNES["wet-boots"])
    full = played(plan, Band(seed=4))
    trio = played(plan, Band(seed=4, parts=frozenset({"drums", "chords"})))
    assert [[n for n in notes if n.part != "bass"] for _, notes in full] == [notes for _, notes in trio]


def test_the_bar_of_hats_is_hats():
    plan = make_plan(TUNES["wet-boots"])
    for here in list(contexts(plan))[:4]:
        notes = compose(plan, here._replace(stage="hats", fill=0, hit=False), Band(), 100.0)
        assert {(note.part, note.key) for note in notes} == {("drums", 42)}


def test_swing_of_the_band_is_added_and_never_turns_over():
    plan = make_plan(TUNES["wet-boots"])
    here = list(contexts(plan))[1]
    upbeats = []
    for swing in (-5.0, 0.0, 0.5):
        notes = compose(plan, here, Band(strict=True, swing=swing, parts=frozenset({"bass"})), 100.0)
        upbeats.append(max(note.tick for note in notes) - here.tick)
    assert upbeats == [240, 320, round(480 * 2.5 / 3.5)]


def test_a_tag_may_make_the_last_chorus_longer():
    from pedal.music.forms import parse_bar

    tune = TUNES["wet-boots"]
    ending = replace(tune.ending, bars=(*tune.ending.bars, parse_bar("I7", 4)))
    plan = make_plan(replace(tune, ending=ending))
    assert (len(plan.layout), len(plan.last), plan.ending_bar) == (12, 13, 11)
    assert plan.last[-1][-1].then is None
