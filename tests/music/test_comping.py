"""The chord player: whose chord a stab is, and when it may come early."""

from dataclasses import replace

import pytest

from pedal.music.beat import Band
from pedal.music.feels import comp_beats
from pedal.music.grid import beat_cells
from pedal.music.pitch import parse_key
from pedal.music.plan import make_plan
from tests.support.examples import some

from .playing import ALL_KEYS, played, with_form


def allowed(plan, number):
    """Pitch classes of a chord and of the colours it may have.

    Ninths, and thirteenths where the feel has them; ♭9 and ♭13 on the V of a minor key; ♭9 on
    III7 and VI7 of a major one, which lead to minor chords.
    """
    chord = plan.chords[number]
    degree = chord.degree
    if plan.key.minor and degree.lamp == "V":
        colours = (13, 20)
    elif not plan.key.minor and str(degree) in ("III7", "VI7"):
        colours = (13,)
    elif str(degree) == "iii7" or degree.quality in ("ø7", "o7"):
        colours = ()
    else:
        colours = (14, 21) if plan.feel.extension == 13 and degree.quality == "7" else (14,)
    return {tone.pc for tone in chord.tones} | {(chord.root.pc + colour) % 12 for colour in colours}


@pytest.mark.parametrize("key", some(ALL_KEYS, 2))
def test_before_a_change_every_note_belongs_to_one_of_both_chords(library, key):
    home = parse_key(key)
    tunes = [tune for tune in map(library.tune, library.names("tune")) if tune.key.minor == home.minor]
    early = 0
    for tune in tunes:
        plan = make_plan(tune, home)
        for chorus in range(1, 9):
            half = plan.feel.ticks // 2
            beats = played(plan, Band(strict=True), chorus, part="chords")
            for index, (here, notes) in enumerate(beats):
                now, then = here.cell.sounding[0].chord, here.then.chord
                changes = here.beats_left == 1 and now != then
                end = here.tick + plan.feel.ticks
                stabs = {note.tick: set() for note in notes}
                for note in notes:
                    stabs[note.tick].add(note.key % 12)
                for tick, found in stabs.items():
                    if changes and tick >= end - half and found <= allowed(plan, then):
                        early += 1
                        continue
                    assert found <= allowed(plan, now), (here.bar, here.beat)
                if changes:  # what is held from earlier beats ends with its chord
                    for _, before in beats[max(0, index - 4) : index + 1]:
                        for note in before:
                            if note.tick < end - half:
                                assert note.end <= end
    assert early  # the anticipations are there at all


def test_anticipations_are_sparing(library):
    for name in library.names("feel"):
        feel = library.feel(name)
        assert len(feel.comp) >= 2
        ahead = [row for row in feel.comp if any(stab.ahead for beat in row for stab in beat)]
        assert len(ahead) <= len(feel.comp) // 2


def test_an_anticipation_takes_the_coming_chord(library):
    feel = replace(
        library.feel("medium-shuffle"), comp=(comp_beats(beat_cells("--- | --- | --- | --a", "-a")),)
    )
    plan = make_plan(with_form(library.tune("wet-boots"), "I7", "I7", "IV7", feel=feel), parse_key("C"))
    last = [notes for here, notes in played(plan, part="chords") if here.beat == 4]
    voiced = [tuple(note.key for note in notes) for notes in last]
    one, four = (cells[0].sounding[0].voicing for cells in (plan.layout[0], plan.layout[2]))
    assert voiced == [one, four, one]  # ahead of nothing new, ahead of IV, ahead of the wrap


def test_a_held_anticipation_ends_before_a_third_chord_comes(library):
    row = comp_beats(beat_cells("-a | == | == | ==", "-a="))
    feel = replace(library.feel("medium-shuffle"), comp=(row,))
    plan = make_plan(with_form(library.tune("wet-boots"), "I7 IV7@2 V7@3", feel=feel), parse_key("C"))
    notes = [note for _, found in played(plan, part="chords") for note in found]
    assert {note.end for note in notes} == {2 * plan.feel.ticks}


def test_a_held_chord_ends_where_the_chord_does(library):
    row = comp_beats(beat_cells("x= | == | == | ==", "-x="))
    feel = replace(library.feel("medium-shuffle"), comp=(row,))
    plan = make_plan(with_form(library.tune("wet-boots"), "I7 IV7@4", feel=feel), parse_key("C"))
    notes = [note for _, found in played(plan, part="chords") for note in found]
    assert {(note.tick, note.end) for note in notes} == {(0, 3 * plan.feel.ticks)}


def test_under_the_turnaround_chords_have_no_colour(library):
    plan = make_plan(library.tune("wet-boots"), parse_key("C"))
    for bar, tones in ((10, {4, 7, 10}), (11, {11, 2, 5})):  # C7: E G B♭; G7: B D F
        assert {key % 12 for key in plan.layout[bar][0].sounding[0].voicing} == tones
    assert 2 in {key % 12 for key in plan.layout[0][0].sounding[0].voicing}  # C9 elsewhere


def test_a_turnaround_on_the_chord_before_it_has_no_colour_either(library):
    tune = library.tune("wet-boots")
    plan = make_plan(replace(tune, form=replace(tune.form, bars=tune.form.bars[:9] + tune.form.bars[:3])))
    colour = (plan.key.tonic.pc + 2) % 12
    ninth = [colour in {key % 12 for key in plan.layout[bar][0].sounding[0].voicing} for bar in (9, 10)]
    assert ninth == [True, False]


def test_the_rhythm_varies_from_bar_to_bar_but_not_from_time_to_time(library):
    plan = make_plan(library.tune("wet-boots"))
    one, again = (played(plan, Band(seed=3), part="chords") for _ in range(2))
    assert one == again
    bars = {
        tuple((n.tick - h.tick, h.beat) for h, ns in one if h.bar == bar for n in ns) for bar in range(1, 11)
    }
    assert len(bars) >= 3


def test_voices_stay_in_the_middle(library):
    for key in ALL_KEYS[:12]:
        plan = make_plan(library.tune("wet-boots"), parse_key(key))
        for _, notes in played(plan, part="chords"):
            assert all(52 <= note.key <= 74 for note in notes)
