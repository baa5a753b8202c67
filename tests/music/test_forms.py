"""The shipped forms against open textbooks, and the reading of bars."""

import pytest
from hypothesis import given
from hypothesis import strategies as st
from music21.figuredBass import examples

from pedal.music.forms import parse_bar
from pedal.music.pitch import parse_key
from pedal.music.plan import make_plan

# R. Hutchinson, Music Theory for the 21st-Century Classroom (GFDL), table 12.4.1.
TEXTBOOK = ["I", "I", "I", "I", "IV", "IV", "I", "I", "V", "IV", "I", "I"]
# Rows that analysts marked in recordings: de Clercq & Temperley, A Corpus Study of Rock Music,
# Popular Music 30(1), 2011 (data CC BY 4.0); the last one with V in bar 12.
CORPUS_TURNAROUND = ["I", "I", "I", "I", "IV", "IV", "I", "I", "V", "IV", "I", "V"]


def lamps(form) -> list[str]:
    assert all(len(bar) == 1 for bar in form.bars)
    return [bar[0].degree.lamp for bar in form.bars]


def test_the_twelve_bars_are_the_textbooks(library):
    form = library.form("twelve-bar")
    assert lamps(form) == TEXTBOOK
    assert {bar[0].degree.quality for bar in form.bars} == {"7"}
    # Three phrases of four bars: Open Music Theory, "The blues progression".
    assert form.phrases == (1, 5, 9)


def test_the_turnaround_form_ends_on_v(library):
    assert lamps(library.form("twelve-bar-turnaround")) == CORPUS_TURNAROUND


def test_the_quick_change_is_music21s(library):
    """Its figured bass in B♭ has the same roots; in bar 10 it is the third of IV (`IV6`)."""
    bass = [note.pitch for note in examples.twelveBarBlues().generateBassLine().recurse().notes]
    roots = ["B-" if n.name == "B-" else n.name for n in bass]
    assert roots[9] == "G"
    roots[9] = "E-"
    key = parse_key("Bb")
    ours = [key.tonic.up(3, 5) if lamp == "IV" else key.tonic.up(4, 7) if lamp == "V" else key.tonic
            for lamp in lamps(library.form("twelve-bar-quick-change"))]  # fmt: skip
    assert [str(name).replace("♭", "-") for name in ours] == roots


def test_the_minor_form_goes_by_the_flat_sixth(library):
    form = library.form("twelve-bar-minor")
    assert [str(bar[0].degree) for bar in form.bars] == (
        ["i7", "i7", "i7", "i7", "iv7", "iv7", "i7", "i7", "♭VI7", "V7", "i7", "V7"]
    )


def test_change_bars_of_the_twelve_bars(library):
    plan = make_plan(library.tune("wet-boots"))
    # I to IV at 5, back at 7, V at 9, IV at 10, I at 11, and the turnaround's V at 12.
    assert plan.steps["change"] == (1, 5, 7, 9, 10, 11, 12)
    assert plan.steps["phrase"] == (1, 5, 9)
    assert plan.turnaround_bar == 11 and plan.ending_bar == 11


def test_bars_are_read():
    assert [(s.beat, str(s.degree), s.passing) for s in parse_bar("I7 (#ivo7)@4", 4)] == [
        (0, "I7", False),
        (3, "♯ivo7", True),
    ]
    assert [s.beat for s in parse_bar("ii7 V7", 4)] == [0, 2]
    assert [s.beat for s in parse_bar("I7 (bII7)@2.5 I7@3", 4, halves=True)] == [0, 1.5, 2]


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("", "at least one chord"),
        ("   ", "at least one chord"),
        ("I7 IV7 V7", "falls between the beats"),
        ("I7 IV7@5", "outside the bar"),
        ("I7 IV7@0", "outside the bar"),
        ("I7@2", "comes on beat 1"),
        ("I7 IV7@3 V7@2", "does not come after"),
        ("I7 (V7", "not a chord degree"),
        ("I7 IV7@2.5", "falls between the beats"),
        ("I7 I7 I7 I7 I7", "a beat holds one"),
        ("I7 IV7@..", "'IV7@..' is not a chord degree"),
    ],
)
def test_a_wrong_bar_is_told(text, says):
    with pytest.raises(ValueError, match=says):
        parse_bar(text, 4)


@given(st.text("I7V4bi()@.23 ", max_size=20), st.integers(2, 6), st.booleans())
def test_any_text_is_a_bar_or_a_value_error(text, beats, halves):
    try:
        bar = parse_bar(text, beats, halves)
    except ValueError:
        return
    starts = [span.beat for span in bar]
    assert starts[0] == 0 and starts == sorted(set(starts)) and starts[-1] < beats
