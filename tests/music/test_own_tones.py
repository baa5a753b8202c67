"""The chord's own third, fifth and seventh in a bass line, and colours that fit the key."""

from dataclasses import replace

import pytest
from music21 import harmony

from pedal.music.degrees import QUALITIES, Degree, parse_degree, resolve
from pedal.music.lines import Figure, parse_degree_word, parse_line
from pedal.music.pitch import MAJOR_KEYS, parse_key
from pedal.music.plan import make_plan
from pedal.music.voicing import candidates

from .playing import played, with_form
from .test_degrees import SYMBOLS

WALK = Figure("test", "Test", *parse_line("1 | c3 | c5 | c7"), tuple(QUALITIES))


@pytest.mark.parametrize(
    ("word", "semitones", "own"), [("c3", 4, 3), ("c5,", -5, 5), (">c7", 10, 7), ("xc3'", 16, 3), ("3", 4, 0)]
)
def test_words(word, semitones, own):
    read = parse_degree_word(word)
    assert (read.semitones, read.own) == (semitones, own)


@pytest.mark.parametrize("word", ["c1", "c9", "c13", "bc3", "cb3", "c"])
def test_only_third_fifth_and_seventh_can_be_the_chords_own(word):
    with pytest.raises(ValueError, match="is not a step"):
        parse_degree_word(word)


@pytest.mark.parametrize("quality", [q for q in SYMBOLS if q not in ("", "m")])
def test_own_tones_are_those_of_music21(quality):
    """Third, fifth and seventh (sixth in a 6) of its chord of that name, above C."""
    chord = harmony.ChordSymbol("C" + SYMBOLS[quality])
    seventh = chord.seventh or next(pitch for pitch in chord.pitches if pitch.name[0] == "A")
    degree = Degree(1, 0, quality)
    plain = {3: 4, 5: 7, 7: 10}
    for tone, theirs in ((3, chord.third), (5, chord.fifth), (7, seventh)):
        if theirs is not None:  # 7♭13 has no fifth there
            assert plain[tone] + degree.own(tone) == theirs.pitchClass, (quality, tone)


@pytest.mark.parametrize("key", ["C", "F", "Eb", "F#"])
def test_the_bass_takes_the_chords_own_tones(library, key):
    bars = ("I7", "ii7", "iiø7", "#ivo7", "VI7", "I6", "iv6")
    plan = make_plan(with_form(library.tune("wet-boots"), *bars, figure=WALK), parse_key(key))
    for here, notes in played(plan, part="bass"):
        chord = plan.chords[here.cell.sounding[0].chord]
        assert notes[0].key % 12 == chord.tones[here.beat - 1].pc, (chord.symbol, here.beat)


def test_an_own_pickup_is_the_coming_chords(library):
    figure = Figure("test", "Test", *parse_line("1 | 5 | 1 | >c3,"), ("7", "m7"))
    plan = make_plan(with_form(library.tune("wet-boots"), "I7", "ii7", figure=figure), parse_key("C"))
    last = [notes[-1].key % 12 for here, notes in played(plan, part="bass") if here.beat == 4]
    assert last == [5, 4]  # F, the third of Dm7; E, that of C7


def test_there_is_room_below_for_a_bent_tone(library):
    figure = Figure("test", "Test", *parse_line("1 | c5,"), tuple(QUALITIES))
    assert figure.lowest == -6
    tune = with_form(library.tune("wet-boots"), "I7", "#ivo7", figure=figure)
    for key in MAJOR_KEYS:
        plan = make_plan(tune, parse_key(key))
        assert all(note.key >= 28 for _, notes in played(plan, part="bass") for note in notes)


# ---- colours --------------------------------------------------------------------------


def colours_of(text, key, extension):
    home = parse_key(key)
    chord = resolve(parse_degree(text), home)
    guides = {(chord.root.pc + tone) % 12 for tone in chord.intervals}
    return {
        (note - chord.root.pc) % 12
        for voicing in candidates(chord, extension, home.minor)
        for note in voicing
        if note % 12 not in guides
    }


@pytest.mark.parametrize("extension", [9, 13])
@pytest.mark.parametrize(
    ("degree", "key", "allowed"),
    [
        # A natural ninth on VI7 or III7 contradicts the minor chord it leads to; on iii7 it is
        # not in the key; V7 in minor takes ♭9 or ♭13 (all common practice).
        ("VI7", "C", {1}),
        ("III7", "C", {1}),
        ("iii7", "C", set()),
        ("ii7", "C", {2}),
        ("I7", "C", {2, 9}),
        ("V7", "Cm", {1, 8}),
        ("iv7", "Cm", {2}),
        ("bVI7", "Cm", {2, 9}),
    ],
)
def test_colours_fit_the_key(degree, key, extension, allowed):
    found = colours_of(degree, key, extension)
    assert found <= allowed and bool(found) == bool(allowed)
    assert 5 not in found  # never the eleventh


def test_the_jazz_blues_has_no_natural_ninth_on_six(library):
    tune = library.tune("ferry-at-ten-past")
    for key in MAJOR_KEYS:
        plan = make_plan(replace(tune, turnaround=None), parse_key(key))
        for cell in (cell for bar in plan.layout for cell in bar):
            for sound in cell.sounding:
                chord = plan.chords[sound.chord]
                if str(chord.degree) == "VI7":
                    assert (chord.root.pc + 2) % 12 not in {note % 12 for note in sound.voicing}
