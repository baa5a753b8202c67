"""The shipped forms against textbooks, a corpus of analysed recordings, and music21's harmony."""

import tomllib
from functools import cache
from pathlib import Path

import pytest
from music21 import harmony, roman
from music21.romanText import clercqTemperley

from pedal.music.degrees import resolve
from pedal.music.pitch import MAJOR_KEYS, MINOR_KEYS, parse_key

from .test_degrees import SYMBOLS, key21, to_music21

PATTERNS = tomllib.loads((Path(__file__).parents[1] / "references/twelve_bar_patterns.toml").read_text())

# Bar by bar, degrees only. W: Wikipedia, "Twelve-bar blues", "Eight-bar blues" (after Benward &
# Saker, Music in Theory and Practice, 2003). O: Open Music Theory, "The blues progression".
TABLES = {
    "twelve-bar": "I I I I / IV IV I I / V IV I I",  # W, O
    "twelve-bar-long-v": "I I I I / IV IV I I / V V I I",  # W
    "twelve-bar-quick-change": "I IV I I / IV IV I I / V IV I I",  # W, with the close of the shuffle blues
    "twelve-bar-jazz": "I IV I I / IV ♯iv I iii-VI / ii V iii-VI ii-V",  # W, jazz section
    "twelve-bar-minor": "i i i i / iv iv i i / ♭VI V i V",  # convention: no open table was found
    "eight-bar": "I V IV IV / I V I V",  # W
    "eight-bar-split": "I I IV IV / I V I-IV I-V",  # W
    "sixteen-bar": "I I I I / I I I I / IV IV I I / V IV I I",  # O
}
OUR_OWN = "our own"  # the `source` of a form that comes from no table
# Forms that differ from one of these by the V in bar 12 alone.
WITH_V = {
    "twelve-bar-turnaround": "twelve-bar",
    "twelve-bar-long-v-turnaround": "twelve-bar-long-v",
    "twelve-bar-quick-change-turnaround": "twelve-bar-quick-change",
}

# The notation of that study: a chord a bar, a bar that repeats is left empty.
LONG_V_VERSE = """% Bench Verse
Vr: Id7 | Id7 | Id7 | Id7 | IVd7 | IVd7 | Id7 | Id7 | Vd7 | Vd7 | Id7 | Id7 |
S: [A] $Vr
"""


def numeral(degree) -> str:
    return str(degree).rstrip("0123456789øom") if degree.minor_third else str(degree).rstrip("0123456789♭♯+")


def table(form) -> list[str]:
    return ["-".join(numeral(span.degree) for span in bar) for bar in form.bars]


def words(text: str) -> list[str]:
    return text.replace("/", " ").replace("|", " ").split()


@pytest.mark.parametrize("name", TABLES)
def test_a_form_is_the_textbooks(library, name):
    assert table(library.form(name)) == words(TABLES[name])


@pytest.mark.parametrize("name", WITH_V)
def test_a_form_with_a_turnaround_differs_in_its_last_bar(library, name):
    plain = table(library.form(WITH_V[name]))
    assert plain[-1] == "I"
    assert table(library.form(name)) == [*plain[:-1], "V"]


def test_every_form_that_comes_from_a_table_is_compared_with_it(library):
    for name in library.names("form"):
        source = library.form(name).source
        assert source, f'forms/{name}.toml: write source = "our own", or whose table it is'
        assert (name in TABLES or name in WITH_V) == (source != OUR_OWN), f"{name}: {source}"


@pytest.mark.parametrize("pattern", PATTERNS["pattern"], ids=lambda pattern: pattern["form"])
def test_the_form_occurs_in_recordings(library, pattern):
    assert pattern["files"] >= 1
    assert table(library.form(pattern["form"])) == words(pattern["bars"])


def test_the_commonest_pattern_is_the_default_one():
    most = max(PATTERNS["pattern"], key=lambda pattern: pattern["files"])
    assert most["form"] == "twelve-bar"


def test_our_plain_sevenths_are_what_the_corpus_format_writes_with_a_d(library):
    """A verse of our own in the notation of de Clercq and Temperley, read by music21."""
    song = clercqTemperley.CTSong(LONG_V_VERSE).toPart()
    found = {n.measureNumber: n.figure for n in song.recurse().getElementsByClass(roman.RomanNumeral)}
    verse = [found[bar] for bar in range(1, 13)]
    assert [figure.removesuffix("d7") for figure in verse] == table(library.form("twelve-bar-long-v"))
    for bar, (ours,) in zip(verse, library.form("twelve-bar-long-v").bars, strict=True):
        written = roman.RomanNumeral(bar, key21(parse_key("A")))
        assert set(written.pitchClasses) == {tone.pc for tone in resolve(ours.degree, parse_key("A")).tones}


@pytest.mark.parametrize(
    ("name", "phrases"),
    [("twelve-bar", 3), ("sixteen-bar", 4), ("eight-bar", 2), ("twelve-bar-jazz", 3)],
)
def test_phrases_are_of_four_bars(library, name, phrases):
    assert library.form(name).phrases == tuple(range(1, 4 * phrases, 4))


def test_the_jazz_forms_diminished_chord_is_passing(library):
    (bar6,) = library.form("twelve-bar-jazz").bars[5]
    assert (str(bar6.degree), bar6.passing) == ("♯ivo7", True)


# ---- every chord of everything that is shipped, in every key --------------------------


@cache
def theirs(figure: str, text: str) -> tuple[frozenset[int], int]:
    chord = roman.RomanNumeral(figure, key21(parse_key(text)))
    return frozenset(chord.pitchClasses), chord.root().pitchClass


def figure21(degree, minor: bool) -> str | None:
    """music21's figure of a seventh chord: `d7` for the blues seventh; minor's own VI and VII are flat."""
    signs = {-1: "b", 0: "", 1: "#"}[degree.alter]
    if minor and degree.number in (3, 6, 7):
        if degree.alter != -1:
            return None
        signs = ""
    name = numeral(degree).lstrip("♭♯")
    suffix = {"7": "d7", "m7": "7", "ø7": "ø7", "o7": "o7"}.get(degree.quality)
    return signs + name + suffix if suffix else None


def all_degrees(library, minor: bool):
    forms = [library.form(name) for name in library.names("form")]
    tails = [getattr(library, kind)(n) for kind in ("turnaround", "ending") for n in library.names(kind)]
    found = {s.degree for thing in forms + tails if thing.minor == minor for bar in thing.bars for s in bar}
    return sorted(found, key=str)


@pytest.mark.parametrize("text", (*MAJOR_KEYS, *MINOR_KEYS))
def test_every_chord_in_every_key_is_music21s(library, text):
    home = parse_key(text)
    by_figure = 0
    for degree in all_degrees(library, home.minor):
        chord = resolve(degree, home)
        mine = {tone.pc for tone in chord.tones}
        if figure := figure21(degree, home.minor):
            by_figure += 1
            assert (frozenset(mine), chord.root.pc) == theirs(figure, text), degree
        symbol = harmony.ChordSymbol(to_music21(chord.root) + SYMBOLS[degree.quality])
        assert mine == set(symbol.pitchClasses), degree
    assert by_figure >= 5
