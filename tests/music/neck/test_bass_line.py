"""A tune on the neck: where players have it, and that the guide bass plays exactly that."""

import pickle
import time
from dataclasses import replace

import pytest

from pedal.music.arrange import compose
from pedal.music.beat import Band
from pedal.music.lines import Figure, parse_line
from pedal.music.neck.fingerboard import FIVE, FOUR, INSTRUMENTS, SIX, Instrument
from pedal.music.pickups import PICKUPS
from pedal.music.pitch import parse_key
from pedal.music.plan import make_plan
from tests.music.playing import ALL_KEYS, contexts, played, with_form
from tests.support.examples import some

SIX_24 = replace(SIX, frets=24)


def in_key(library, key, figure=None, **changes):
    """Wet Boots, or its like in minor."""
    tune = library.tune("wet-boots")
    if parse_key(key).minor:
        tune = replace(
            tune,
            form=library.form("twelve-bar-minor"),
            turnaround=library.turnaround("walk-down-minor"),
            ending=library.ending("stop-on-the-one-minor"),
        )
    return replace(tune, figure=library.figure(figure) if figure else tune.figure, **changes)


def where(plan):
    """String name and fret of the first note on each degree, tail left out."""
    found = {}
    for note in plan.neck.chorus:
        if note.bar < plan.turnaround_bar and note.beat == 1 and note.slot == (0, 1):
            chord = plan.chords[plan.layout[note.bar - 1][0].form_chord]
            found.setdefault(str(chord.degree), (plan.neck.instrument.name_of(note.string), note.fret))
    return found


# ---- what players do: common practice, no source -----------------------------------------


@pytest.mark.parametrize("bpm", [60, 112, 200])
def test_the_figure_in_e(library, bpm):
    """Root, dead note, lower fifth and flat seventh, no open strings, 34 inches."""
    plan = make_plan(in_key(library, "E"), parse_key("E"), bpm, Instrument(scale_mm=863.6))
    assert where(plan) == {"I7": ("A", 7), "IV7": ("D", 7), "V7": ("D", 9)}
    assert not [note for note in plan.neck.chorus if note.fret == 0]


def test_the_figure_in_other_keys_stays_in_one_position(library):
    assert where(make_plan(in_key(library, "A"), parse_key("A"))) == {
        "I7": ("D", 7),
        "IV7": ("A", 5),
        "V7": ("A", 7),
    }
    assert where(make_plan(in_key(library, "Bb"), parse_key("Bb"))) == {
        "I7": ("D", 8),
        "IV7": ("A", 6),
        "V7": ("A", 8),
    }


@pytest.mark.parametrize("bpm", [60, 112, 200])
def test_the_turnaround_in_e(library, bpm):
    plan = make_plan(in_key(library, "E"), parse_key("E"), bpm)
    assert plan.tonic == 28  # the lower tonic, an octave under the I
    line = [note.key - plan.tonic for note in plan.neck.chorus if note.bar >= plan.turnaround_bar]
    assert line == [12, 12, 10, 10, 9, 9, 8, 8, 7, 7, 5, 6, 7]


def test_with_open_strings_e_is_played_at_the_nut(library):
    plan = make_plan(in_key(library, "E"), parse_key("E"), instrument=Instrument(open_strings="allow"))
    assert where(plan) == {"I7": ("D", 2), "IV7": ("A", 0), "V7": ("A", 2)}
    assert max(note.fret for note in plan.neck.chorus) <= 4


# ---- what must hold of any line ----------------------------------------------------------


@pytest.mark.parametrize("key", some(ALL_KEYS, 4))
@pytest.mark.parametrize("instrument", [FOUR, FIVE, SIX_24])
def test_every_note_lies_where_it_sounds_and_under_the_hand(library, key, instrument):
    for figure in ("root-and-pickup", "boogie"):
        if parse_key(key).minor and figure == "boogie":
            continue
        plan = make_plan(in_key(library, key, figure), parse_key(key), instrument=instrument)
        for note in (*plan.neck.chorus, *plan.neck.last):
            assert instrument.tuning[-note.string] + note.fret == note.key
            assert note.hand in instrument.hands(note.fret)
        assert plan.neck.warnings == ()


def test_the_guide_bass_plays_exactly_this_line(library):
    for name in library.names("tune"):
        tune = library.tune(name)
        for steps in (0, 5, 7):
            plan = make_plan(tune, tune.key.up(steps))
            for last, line in ((False, plan.neck.chorus), (True, plan.neck.last)):
                notes = [note for _, notes in played(plan, last=last, part="bass") for note in notes]
                assert [(n.tick, n.key) for n in notes] == [(n.tick, n.key) for n in line]
                short = [note.end - note.tick <= 60 for note in notes]
                assert all(is_short for is_short, note in zip(short, line, strict=True) if note.dead)


@pytest.mark.parametrize("name", list(PICKUPS))
@pytest.mark.parametrize("line", ["1 x1 | >5, >c7,", "1 | 3 | >c3 >x5 | >c7,", "1 | - | 5 | >b7"])
@pytest.mark.parametrize(
    "bars", [("I7", "ii7 V7", "io7"), ("i6", "iv7@1 V7@4", "iiø7 (bII7)@4"), ("I6 IV6",)]
)
def test_so_it_does_with_any_pickup_into_any_chord(library, name, line, bars):
    figure = Figure("test", "Test", *parse_line(line), ("7",))
    pins = {bar: name for bar in range(1, len(bars) + 1)}
    tune = with_form(library.tune("wet-boots"), *bars, figure=figure, pickups=pins)
    for key in ("E", "Bb", "Db"):
        plan = make_plan(tune, parse_key(key))
        notes = [note for _, notes in played(plan, part="bass") for note in notes]
        assert [(n.tick, n.key) for n in notes] == [(n.tick, n.key) for n in plan.neck.chorus]
        for note in plan.neck.chorus:
            assert FOUR.tuning[-note.string] + note.fret == note.key


def test_a_chord_has_one_home_in_every_quality(library):
    plan = make_plan(with_form(library.tune("wet-boots"), "I7", "IV7", "I9", "V7"), parse_key("G"))
    roots = {}
    for chord, root in zip(plan.chords, plan.roots, strict=True):
        assert root % 12 == chord.root.pc
        assert roots.setdefault(chord.root.pc, root) == root
    assert len(plan.chords) > len(roots)


def test_the_last_chorus_is_like_the_others_until_the_ending(library):
    plan = make_plan(library.tune("wet-boots"))
    before = [note for note in plan.neck.chorus if note.bar < plan.ending_bar]
    assert [note for note in plan.neck.last if note.bar < plan.ending_bar] == before


def test_open_strings_by_setting(library):
    def opens(setting):
        plan = make_plan(in_key(library, "A"), instrument=Instrument(open_strings=setting))
        return sum(note.fret == 0 for note in plan.neck.chorus)

    assert opens("avoid") == 0 < opens("allow") <= opens("prefer")


def test_a_turnaround_over_the_whole_form(library):
    tune = with_form(library.tune("wet-boots"), "I7", "I7")
    tune = replace(tune, turnaround=library.turnaround("walk-down"))
    plan = make_plan(tune)
    assert [n.key - plan.tonic for n in plan.neck.chorus] == [12, 12, 10, 10, 9, 9, 8, 8, 7, 7, 5, 6, 7]
    assert len(plan.roots) == len(plan.chords)


# ---- what cannot be played ---------------------------------------------------------------


@pytest.mark.parametrize(
    ("line", "root", "says"),
    [
        # C2 has room for all but the lowest note, G0; no higher C for both of the high ones.
        (
            "1 | 5,, | 5' | 3'",
            36,
            "the lower 5 of I7 (C7) in C is below the lowest string (E); it is played 1 octave higher",
        ),
        # C3 for all but G5.
        (
            "1 | 5,, | 1 | 5''",
            48,
            "the upper 5 of I7 (C7) in C is above the last fret; it is played 2 octaves lower",
        ),
    ],
)
def test_what_has_no_place_is_moved_and_told(library, line, root, says):
    """A bass of twelve frets reaches from 28 to 55 (by arithmetic: 43 + 12)."""
    tune = replace(library.tune("wet-boots"), figure=Figure("wide", "Wide", *parse_line(line), ("7",)))
    plan = make_plan(tune, parse_key("C"), instrument=Instrument(frets=12))
    assert plan.roots[0] == root
    assert [warning for warning in plan.neck.warnings if "I7 (C7)" in warning] == [says]
    assert all(" in C " in warning for warning in plan.neck.warnings)
    # The guide bass plays what the neck has, an octave away, not what cannot be played.
    keys = [note.key for note in plan.neck.chorus]
    assert all(28 <= key <= 55 for key in keys)
    assert [n.key for _, notes in played(plan, part="bass") for n in notes] == keys


def test_what_fits_is_not_complained_about(library):
    assert make_plan(library.tune("wet-boots")).neck.warnings == ()


# ---- size and time -----------------------------------------------------------------------


def test_a_plan_is_small_and_goes_through_a_pipe(library):
    plan = make_plan(library.tune("wet-boots"))
    packed = pickle.dumps(plan.neck)
    assert len(packed) < 20_000
    assert pickle.loads(packed) == plan.neck


@pytest.mark.slow
@pytest.mark.parametrize(("instrument", "limit"), [(FOUR, 0.06), (SIX_24, 0.15)])
def test_planning_is_quick(library, instrument, limit):
    """Processor time of a whole tune here, best of three; the limits are the project's."""
    for name in library.names("tune"):
        took = []
        for _ in range(3):
            start = time.process_time()
            make_plan(library.tune(name), instrument=instrument)
            took.append(time.process_time() - start)
        assert min(took) < limit, name


def test_presets():
    assert {strings: len(one.tuning) for strings, one in INSTRUMENTS.items()} == {4: 4, 5: 5, 6: 6}


def test_in_a_vamp_the_pickup_is_that_of_the_chord_the_foot_asked_for(library):
    """Also from a bar that the form does not change in, and also where the tune asks for another."""
    tune = replace(library.tune("wet-boots"), pickups={5: "below"})
    plan = make_plan(tune, parse_key("E"))
    i, iv = plan.roots[:2]
    before = list(contexts(plan))[7]  # the last beat of bar 2
    asked = before._replace(
        beats_left=1, beats_in=3, then=plan.layout[4][0].sounding[0], onto=1, fill=0, with_tail=False
    )
    notes = [note for note in compose(plan, asked, Band(strict=True), 112.0) if note.part == "bass"]
    assert [note.key for note in notes] == [i, iv - 1]
