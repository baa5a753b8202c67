"""Keys, degrees and chords against music21, which was written by others for other ends.

music21 writes flats as `-`, and reads `I7` as the diatonic, *major* seventh. Its figure for
the chord that blues players call I7 is `Id7`, after de Clercq & Temperley.
"""

import pytest
from hypothesis import given
from hypothesis import strategies as st
from music21 import harmony, key, roman

from pedal.music.degrees import NUMERALS, QUALITIES, Degree, parse_degree, resolve
from pedal.music.pitch import MAJOR_KEYS, MINOR_KEYS, Key, Name, parse_key, parse_name

from .playing import ALL_KEYS

# ours: music21's in a major key. In a minor key its VI and VII are the flat ones already.
MAJOR_FIGURES = {
    "I": "I",
    "I7": "Id7",
    "IV7": "IVd7",
    "V7": "Vd7",
    "II7": "IId7",
    "III7": "IIId7",
    "VI7": "VId7",
    "bII7": "bIId7",
    "bIII7": "bIIId7",
    "bVI7": "bVId7",
    "bVII7": "bVIId7",
    "ii7": "ii7",
    "iii7": "iii7",
    "vi7": "vi7",
    "iiø7": "iiø7",
    "#ivo7": "#ivo7",
    "i7": "i7",
    "iv7": "iv7",
    "V9": "V9",
}
MINOR_FIGURES = {
    "i": "i",
    "i7": "i7",
    "iv7": "iv7",
    "V7": "Vd7",
    "IV7": "IVd7",
    "bII7": "bIId7",
    "bIII7": "IIId7",
    "bVI7": "VId7",
    "bVII7": "VIId7",
    "iiø7": "iiø7",
    "#ivo7": "#ivo7",
}
# Kinds as MusicXML 4.0 names them, in the symbols that music21 reads them from.
SYMBOLS = {
    "": "",
    "6": "6",
    "7": "7",
    "9": "9",
    "7b9": "7b9",
    "7#9": "7#9",
    "7b13": "7b13",
    "+7": "+7",
    "m": "m",
    "m6": "m6",
    "m7": "m7",
    "m9": "m9",
    "ø7": "ø7",
    "o7": "dim7",
}


def to_music21(name: Name) -> str:
    return str(name).replace("♭", "-").replace("♯", "#")


def key21(ours: Key) -> key.Key:
    tonic = to_music21(ours.tonic)
    return key.Key(tonic.lower() if ours.minor else tonic)


def spelled(names) -> list[str]:
    return [to_music21(name) for name in names]


@pytest.mark.parametrize("text", ALL_KEYS)
def test_keys_have_the_signs_music21_gives_them(text):
    ours = parse_key(text)
    assert ours.fifths == key21(ours).sharps
    assert ours.tonic.pc == key21(ours).tonic.pitchClass
    assert str(ours) == text


def test_the_lists_of_keys_go_up_by_semitones():
    assert [parse_key(text).tonic.pc for text in MAJOR_KEYS] == list(range(12))
    assert [parse_key(text).tonic.pc for text in MINOR_KEYS] == list(range(12))


def test_minor_has_spellings_of_its_own():
    # The usual signatures: C♯ minor has four sharps where D♭ minor would have eight flats.
    assert {"C♯m", "F♯m", "G♯m", "E♭m", "B♭m"} <= set(MINOR_KEYS)
    with pytest.raises(ValueError, match="more than seven signs; write C♯m"):
        parse_key("Dbm")


@pytest.mark.parametrize("text", ALL_KEYS)
def test_degrees_are_the_chords_of_music21(text):
    ours = parse_key(text)
    figures = MINOR_FIGURES if ours.minor else MAJOR_FIGURES
    for degree, figure in figures.items():
        chord = resolve(parse_degree(degree), ours)
        theirs = roman.RomanNumeral(figure, key21(ours))
        if degree == "V9" and ours.minor:
            continue
        assert {tone.pc for tone in chord.tones} == set(theirs.pitchClasses), (degree, text)
        names = [pitch.name for pitch in theirs.pitches]
        if not any("##" in name or "--" in name for name in names):
            assert spelled(chord.tones) == names, (degree, text)


def test_a_plain_seven_is_not_music21s():
    # The trap itself: if this changes there, the table above says too little.
    assert roman.RomanNumeral("I7", key.Key("C")).pitchClasses[-1] == 11
    assert resolve(parse_degree("I7"), parse_key("C")).intervals[-1] == 10


@pytest.mark.parametrize("quality", SYMBOLS)
@pytest.mark.parametrize("root", MAJOR_KEYS)
def test_chord_tones_are_those_of_music21(quality, root):
    ours = resolve(Degree(1, 0, quality), parse_key(root))
    theirs = harmony.ChordSymbol(to_music21(ours.root) + SYMBOLS[quality])
    assert spelled(ours.tones) == [pitch.name for pitch in theirs.pitches]
    lowest = theirs.pitches[0].midi
    assert {step % 12 for step in ours.intervals} == {(pitch.midi - lowest) % 12 for pitch in theirs.pitches}


def test_a_thirteenth_has_no_eleventh():
    # Hutchinson, Music Theory for the 21st-Century Classroom, 31.1: the unaltered 11th is left
    # out because it clashes with the third. music21 keeps it.
    ours = resolve(parse_degree("I13"), parse_key("C"))
    theirs = harmony.ChordSymbol("C13")
    assert {4, 10, 21} < set(ours.intervals)
    assert {pitch.name for pitch in theirs.pitches} - set(spelled(ours.tones)) == {"F"}


@pytest.mark.parametrize("text", ALL_KEYS)
def test_chord_symbols_have_no_double_accidentals(text):
    for number in range(1, 8):
        for alter in (-1, 0, 1):
            chord = resolve(Degree(number, alter, "7"), parse_key(text))
            assert abs(chord.root.alter) <= 1
            assert chord.root.pc == (parse_key(text).tonic.pc + Degree(number, alter, "7").semitones) % 12


@pytest.mark.parametrize("quality", QUALITIES)
def test_degrees_are_read_as_they_are_written(quality):
    for number in range(1, 8):
        for alter in (-1, 0, 1):
            degree = Degree(number, alter, quality)
            assert parse_degree(str(degree)) == degree


def test_lamps():
    lamps = {
        text: parse_degree(text).lamp for text in ("I7", "i7", "IV7", "iv7", "V7", "bV7", "#ivo7", "ii7")
    }
    assert list(lamps.values()) == ["I", "I", "IV", "IV", "V", "other", "other", "other"]


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("", "not a chord degree"),
        ("VIII7", "quality 'I7' is unknown"),
        ("H7", "not a chord degree"),
        ("I8", "quality '8' is unknown after I"),
        ("iø9", "unknown after i"),
        ("##I", "not a chord degree"),
    ],
)
def test_a_wrong_degree_is_told(text, says):
    with pytest.raises(ValueError, match=says):
        parse_degree(text)


@given(st.text(max_size=8) | st.from_regex(r"[b#♭♯]?[IViv]{0,4}[ø+om]?[0-9]*", fullmatch=True))
def test_any_text_is_a_degree_or_a_value_error(text):
    try:
        degree = parse_degree(text)
    except ValueError:
        return
    assert 1 <= degree.number <= len(NUMERALS) and degree.quality in QUALITIES


@given(st.text(max_size=6) | st.from_regex(r"[A-Ha-h][b#]{0,3}m?", fullmatch=True))
def test_any_text_is_a_key_or_a_value_error(text):
    for read in (parse_key, parse_name):
        try:
            read(text)
        except ValueError:
            pass


@given(st.sampled_from(ALL_KEYS), st.integers(-30, 30))
def test_keys_are_transposed_to_keys_in_use(text, semitones):
    moved = parse_key(text).up(semitones)
    assert str(moved) in ALL_KEYS
    assert (moved.tonic.pc - parse_key(text).tonic.pc - semitones) % 12 == 0
    assert moved.minor == parse_key(text).minor
