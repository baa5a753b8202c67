"""The guide bass: room on the instrument, pickups and whose chord they belong to, line endings."""

import re
from dataclasses import replace
from itertools import pairwise

import pytest
from music21 import tablature

from pedal.music.arrange import compose
from pedal.music.beat import Band
from pedal.music.lines import Figure, parse_degree_word, parse_line
from pedal.music.neck.fingerboard import FOUR
from pedal.music.pitch import MAJOR_KEYS, parse_key
from pedal.music.plan import make_plan
from tests.support.examples import some

from .playing import ALL_KEYS, contexts, played, with_form

# Twenty frets on the G string reach E♭4: 43 + 20.
HIGHEST_BASS = 63


def keys_by_beat(plan, last=False):
    """Bass keys, a list a beat."""
    return [[note.key for note in notes] for _, notes in played(plan, last=last, part="bass")]


def keys_of(plan, text):
    """Keys, a list a beat, written from the roots: `I I | IV-5 IV-2`."""
    roots = {str(chord.degree)[:-1]: root for chord, root in zip(plan.chords, plan.roots, strict=True)}
    words = [beat.split() for beat in text.split("|")]
    found = [[re.fullmatch(r"([IV]+)([-+][0-9]+)?", word) for word in beat] for beat in words]
    return [[roots[one[1]] + int(one[2] or 0) for one in beat] for beat in found]


def test_the_low_string_is_the_lowest_note():
    # music21's four-string bass: E1 A1 D2 G2 = 28 33 38 43.
    assert [p.midi for p in tablature.BassGuitarFretBoard().tuning] == [28, 33, 38, 43]
    assert FOUR.lowest == 28


@pytest.mark.parametrize("key", some(ALL_KEYS, 2))
def test_every_note_is_on_the_instrument(library, key):
    home = parse_key(key)
    tune = library.tune("wet-boots")
    if home.minor:
        tune = replace(
            tune,
            form=library.form("twelve-bar-minor"),
            turnaround=library.turnaround("walk-down-minor"),
            ending=library.ending("stop-on-the-one-minor"),
        )
    for name in library.names("figure"):
        plan = make_plan(replace(tune, figure=library.figure(name)), home)
        for last in (False, True):
            for keys in keys_by_beat(plan, last):
                assert all(FOUR.lowest <= one <= HIGHEST_BASS for one in keys)


def test_the_turnaround_in_e(library):
    """1 ♭7 6 ♭6 5 4 ♯4 5 counted down from the open E's octave: in semitones 12 10 9 8 7 5 6 7."""
    plan = make_plan(library.tune("wet-boots"), parse_key("E"))
    line = keys_by_beat(plan)[-8:]
    assert [keys[0] for keys in line] == [40, 38, 37, 36, 35, 33, 34, 35]
    assert [len(keys) for keys in line] == [2, 2, 2, 2, 2, 1, 1, 1]
    assert all(len(set(keys)) == 1 for keys in line)


def test_the_turnaround_is_in_the_chords(library):
    """On the beats where chords are struck the bass is a chord tone; 4 is V7's seventh."""
    plan = make_plan(library.tune("wet-boots"))
    both = zip(played(plan, part="bass")[-8:], played(plan, part="chords")[-8:], strict=True)
    for (here, bass), (_, chords) in both:
        if any(note.tick == here.tick for note in chords):
            tones = {tone.pc for tone in plan.chords[here.cell.sounding[0].chord].tones}
            assert bass[0].key % 12 in tones | {plan.key.tonic.up(5, 9).pc}  # 6: a walk through IV


def test_the_figure_in_e(library):
    """Root, dead note, lower fifth, lower flat seventh: 0 0 -5 -2 from the root."""
    plan = make_plan(library.tune("wet-boots"), parse_key("E"))
    first = played(plan, part="bass")[:2]
    assert [note.key for _, notes in first for note in notes] == [40, 40, 35, 38]
    dead = first[0][1][1]
    assert dead.end - dead.tick < 100 and dead.velocity < 60


def test_pickups_lead_where_the_figure_next_starts(library):
    plan = make_plan(library.tune("wet-boots"), parse_key("A"))
    beats = keys_by_beat(plan)
    a, d, e = (plan.roots[[chord.symbol for chord in plan.chords].index(name)] for name in ("A7", "D7", "E7"))
    assert beats[1] == [a - 5, a - 2]  # in the middle of a bar: the same root
    assert beats[3] == [a - 5, a - 2]  # a bar line on the same chord
    assert beats[15] == [d - 5, d - 2]  # bar 4 into the IV
    assert beats[13] == [a - 5, a - 2]  # but not the one in the middle of bar 4
    assert beats[23] == [a - 5, a - 2]  # back
    assert beats[31] == [e - 5, e - 2]  # into the V
    assert beats[35] == [d - 5, d - 2]
    assert beats[39] == [a - 5, a - 2]  # into the turnaround, which starts on I


def test_the_wrap_is_led_into(library):
    plan = make_plan(with_form(library.tune("wet-boots"), "IV7", "I7"), parse_key("A"))
    assert keys_by_beat(plan)[-1] == [plan.roots[0] - 5, plan.roots[0] - 2]


WRITTEN = {1: "written"}  # into bar 1, and into every change inside it


@pytest.mark.parametrize(
    ("bars", "expected"),
    [
        # Spans of two beats hold the figure once; its pickup is the coming chord's.
        (("I7 IV7",), "I I | IV-5 IV-2 | IV IV | I-5 I-2"),
        # Three beats: the head again, so that the pickup still stands at the end.
        (("I7 IV7@4",), "I I | I I | IV-5 IV-2 | IV"),
        # One beat: the root alone.
        (("I7 IV7 V7 IV7",), "I | IV | V | IV"),
    ],
)
def test_short_spans(library, bars, expected):
    plan = make_plan(with_form(library.tune("wet-boots"), *bars, pickups=WRITTEN), parse_key("A"))
    assert keys_by_beat(plan) == keys_of(plan, expected)


@pytest.mark.parametrize(
    ("line", "bar", "expected"),
    [
        # A four-beat figure on two beats keeps head and pickup, on three its first two and pickup.
        ("1 | 3 | 5 | >5, >b7,", "I7 IV7", "I | IV-5 IV-2 | IV | I-5 I-2"),
        ("1 | 3 | 5 | >5, >b7,", "I7 IV7@4", "I | I+4 | IV-5 IV-2 | IV"),
        # A pickup as long as the span: the chord's root is still heard on its first beat.
        ("1 | 3 | >5 | >b7", "I7 IV7", "I | IV+10 | IV | I+10"),
        # No pickup: as much of the figure as there is room for.
        ("1 | 3 | 5 | 6", "I7 IV7", "I | I+4 | IV | IV+4"),
        # A held note gives way to the pickup.
        ("1 | = | = | >7", "I7 IV7", "I | IV+11 | IV | I+11"),
    ],
)
def test_figures_longer_than_the_span(library, line, bar, expected):
    figure = Figure("test", "Test", *parse_line(line), ("7",))
    tune = with_form(library.tune("wet-boots"), bar, figure=figure, pickups=WRITTEN)
    plan = make_plan(tune, parse_key("A"))
    assert keys_by_beat(plan) == keys_of(plan, expected)


@pytest.mark.parametrize("line", ["1 | = | = | >7", "1 3 | 5 6 | b7 = | = =", "1 x1 | >5, >b7,", "1 | 5,"])
@pytest.mark.parametrize(
    "bars", [("I7 IV7",), ("I7 IV7@4",), ("I7", "I7 V7@2"), ("I7 IV7@2 V7@3 I7@4",), ("I7 IV7@2",)]
)
def test_one_note_at_a_time_and_a_root_on_every_change(library, line, bars):
    figure = Figure("test", "Test", *parse_line(line), ("7",))
    for key in MAJOR_KEYS:
        plan = make_plan(with_form(library.tune("wet-boots"), *bars, figure=figure), parse_key(key))
        beats = played(plan, part="bass")
        notes = [note for _, notes in beats for note in notes]
        for one, after in pairwise(notes):
            assert one.tick < one.end <= after.tick
        for here, found in beats:
            if here.beats_in == 0:
                assert found[0].tick == here.tick
                assert found[0].key == plan.roots[here.cell.sounding[0].chord]


def test_while_nobody_knows_when_the_chord_changes_pickups_come_back_home(library):
    plan = make_plan(library.tune("wet-boots"), parse_key("A"))
    here = list(contexts(plan))[15]
    waiting = here._replace(beats_left=None, then=None, onto=None, with_tail=False, fill=0)
    notes = [n for n in compose(plan, waiting, Band(strict=True), 100.0) if n.part == "bass"]
    assert [n.key for n in notes] == [plan.roots[0] - 5, plan.roots[0] - 2]


def test_a_late_cue_strikes_the_new_root(library):
    plan = make_plan(library.tune("wet-boots"), parse_key("A"))
    here = list(contexts(plan))[16]._replace(late=160, fill=0)
    notes = compose(plan, here, Band(strict=True), 100.0)
    assert [(n.key, n.tick - here.tick) for n in notes if n.part == "bass"] == [(plan.roots[1], 160)]
    assert {n.tick - here.tick for n in notes if n.part == "chords"} == {160}


def test_the_count_in_has_the_pickup_into_bar_one(library):
    plan = make_plan(library.tune("wet-boots"), parse_key("A"))
    first, a = next(contexts(plan)), plan.roots[0]
    sounds = []
    for left in (4, 3, 2, 1):
        here = first._replace(stage="count", beats_left=left, sticks=(0,), beat=5 - left, fill=0, hit=False)
        sounds.append([(n.part, n.key) for n in compose(plan, here, Band(strict=True), 100.0)])
    assert sounds == [[("drums", 37)]] * 3 + [[("drums", 37), ("bass", a - 5), ("bass", a - 2)]]


def test_the_ending_is_down_one_and_from_a_semitone_above(library):
    plan = make_plan(library.tune("wet-boots"), parse_key("E"))
    beats = played(plan, last=True, part="bass")[-8:]
    a_triplet = plan.feel.ticks // 3
    placed = [(n.key, (n.tick - beats[4][0].tick) / a_triplet) for _, ns in beats[4:] for n in ns]
    # 12.1, the swung "and" of 12.2, 12.3: the last held to the end of the bar.
    assert placed == [(28, 0), (29, 5), (28, 6)]
    last = beats[6][1][0]
    assert last.end - last.tick >= 1.8 * plan.feel.ticks
    hits = {n.tick for _, ns in played(plan, last=True)[-4:] for n in ns}
    assert {(tick - beats[4][0].tick) / a_triplet for tick in hits} == {0, 5, 6}  # everybody
    final = [n.key % 12 for _, ns in played(plan, last=True, part="chords")[-2:] for n in ns]
    assert set(final) == {8, 2, 11}  # G♯ D B: third, seventh and fifth of E7


@pytest.mark.parametrize(
    ("word", "semitones"),
    [("1", 0), ("5,", -5), ("b7,", -2), ("1'", 12), ("#4", 6), ("9", 14), ("b3''", 27), ("13", 21)],
)
def test_degree_words(word, semitones):
    # Offsets from the root by arithmetic on the major scale: lower fifth -5, lower flat seventh -2.
    assert parse_degree_word(word).semitones == semitones


@pytest.mark.parametrize(
    ("line", "says"),
    [
        ("9q", "'9q' is not a step"),
        ("1 | = = | 0", "'0' is not a step"),
        ("= 1", "no note before it"),
        ("1 - = -", "no note before it"),
        ("1 2 3 4 5", "5 steps"),
        ("1 | | 3", "beat 2 has 0 steps"),
        (">5 1", "pickups come last"),
        ("- | -", "has no note"),
        ("14", "not a step"),
    ],
)
def test_a_wrong_line_is_told(line, says):
    with pytest.raises(ValueError, match=says):
        parse_line(line)
