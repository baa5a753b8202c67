"""The changes that trip the hand: costs, ranking, common tones, and the pickups there are."""

from dataclasses import replace
from itertools import pairwise

import pytest
from music21 import harmony

from pedal.library.library import Library
from pedal.music.degrees import parse_degree, resolve
from pedal.music.lines import Figure, parse_line
from pedal.music.neck.effort import SCALE
from pedal.music.neck.fingerboard import FOUR, Instrument
from pedal.music.neck.transitions import NOTICED_MM, common_tones
from pedal.music.pickups import PICKUPS, bend
from pedal.music.pitch import MAJOR_KEYS, parse_key
from pedal.music.plan import make_plan
from tests.music.playing import played, with_form


def at(plan, bar):
    return next(change for change in plan.neck.transitions if change.bar == bar)


def test_every_change_is_there_with_turnaround_and_wrap(library):
    plan = make_plan(library.tune("wet-boots"))
    found = {change.bar: (change.kind, change.leaves, change.reaches) for change in plan.neck.transitions}
    names = [str(chord.degree) for chord in plan.chords]
    i, iv, v = (names.index(name) for name in ("I7", "IV7", "V7"))
    assert found == {
        5: ("change", i, iv),
        7: ("change", iv, i),
        9: ("change", i, v),
        10: ("change", v, iv),
        11: ("turnaround", iv, i),
        12: ("change", i, v),
        1: ("wrap", v, i),
    }


def test_the_wrap_and_the_turnaround_count_where_the_chord_stays(library):
    plain = make_plan(with_form(library.tune("wet-boots"), "I7", "IV7", "I7"))
    assert {(change.bar, change.kind) for change in plain.neck.transitions} == {
        (2, "change"),
        (3, "change"),
        (1, "wrap"),
    }
    wrap = at(plain, 1)
    assert wrap.leaves == wrap.reaches and wrap.common == () and wrap.variants == ()
    split = make_plan(with_form(library.tune("wet-boots"), "I7 IV7@3", "I7"))
    assert {(change.bar, change.beat) for change in split.neck.transitions} == {(1, 1), (1, 3), (2, 1)}


@pytest.mark.parametrize(
    "name", ["wet-boots", "ferry-at-ten-past", "fog-on-platform-four", "lift-to-the-third"]
)
def test_ranked_by_what_they_cost_and_costs_add_up(library, name):
    plan = make_plan(library.tune(name))
    ranked = plan.neck.transitions
    for one, after in pairwise(ranked):
        assert (-one.cost, one.bar, one.beat) < (-after.cost, after.bar, after.beat)
    for change in ranked:
        assert change.cost == change.travel + change.crossing + change.leap + change.holding
        assert (change.travel > 0) == (change.mm > 0)
        assert change.seconds > 0 and change.reason.endswith(f"{change.seconds:.2f} s to get there")
        chosen = [one for one in change.variants if one.chosen]
        assert [one.cost for one in chosen] == [change.cost] * bool(change.variants)


def test_hand_travel_is_measured_on_the_neck(library):
    """The way back to the top in E: from the 5th position, where the walk lies, to the 7th."""
    plan = make_plan(library.tune("wet-boots"), parse_key("E"))
    wrap = at(plan, 1)
    last, first = plan.neck.chorus[-1], plan.neck.chorus[0]
    assert (last.hand, first.hand, wrap.frets) == (5, 7, 2)
    # Fret n from the nut is L(1 - 2^(-n/12)).
    assert wrap.mm == pytest.approx(864 * (2 ** (-5 / 12) - 2 ** (-7 / 12)), abs=0.001)
    # A quarter at 112 beats a minute, let go halfway.
    assert wrap.seconds == pytest.approx(60 / 112 / 2, abs=0.001)
    assert wrap.strings == (4, 3) and wrap.semitones == 5
    assert wrap.reason == "hand moves 2 frets up, E string to A string, 0.27 s to get there"
    assert plan.neck.transitions[0] == wrap


def test_a_hand_that_stays_has_from_the_last_note_to_the_landing(library):
    plan = make_plan(library.tune("wet-boots"), parse_key("A"))
    change = at(plan, 9)
    assert change.mm == 0 == change.frets
    # The dead note on the shuffle's last triplet of beat 3 is over after 60 of 480 ticks; V comes on beat 1.
    assert change.seconds == pytest.approx((480 * 4 / 3 - 60) / 480 * 60 / 112, abs=0.002)
    assert "stays at fret 5, D string to A string by way of the E string" in change.reason
    assert "a leap down of 10 semitones" in change.reason


def test_less_time_makes_the_same_way_harder(library):
    ways = [at(make_plan(library.tune("wet-boots"), parse_key("E"), bpm), 1) for bpm in (88, 100, 112)]
    assert len({(way.frets, way.strings) for way in ways}) == 1
    assert ways[0].travel < ways[1].travel < ways[2].travel


# ---- common tones ------------------------------------------------------------------------

PLACES = {"root": "root", "third": "third", "fifth": "fifth", "seventh": "seventh"}


@pytest.mark.parametrize("key", MAJOR_KEYS)
@pytest.mark.parametrize(
    ("leaves", "reaches"),
    [("I7", "IV7"), ("IV7", "I7"), ("I7", "V7"), ("V7", "IV7"), ("ii7", "V7"), ("I7", "VI7")],
)
def test_common_tones_are_those_of_music21(key, leaves, reaches):
    chords = [resolve(parse_degree(name), parse_key(key)) for name in (leaves, reaches)]
    theirs = [harmony.ChordSymbol(chord.symbol.replace("♭", "-").replace("♯", "#")) for chord in chords]
    members = [{name: getattr(chord, call) for name, call in PLACES.items()} for chord in theirs]
    pitches = [
        {name: (one() if callable(one) else one).pitchClass for name, one in m.items()} for m in members
    ]
    expected = {
        f"the {mine} of {leaves} is the {other} of {reaches}"
        for mine, pc in pitches[0].items()
        for other, same in pitches[1].items()
        if pc == same
    }
    assert set(common_tones(*chords)) == expected


def test_the_fifth_of_iv_is_the_root_of_i(library):
    plan = make_plan(library.tune("wet-boots"))
    assert at(plan, 7).common == ("the fifth of IV7 is the root of I7",)


# ---- pickups -----------------------------------------------------------------------------


def semitones(way):
    return [(step.coming, step.semitones) for step in way]


def test_the_pickups_there_are(library):
    """Into a root (0) and, last, into the octave that a turnaround starts with (12)."""
    two = library.figure("root-and-pickup")
    assert semitones(bend("written", two, 0)) == [(True, -5), (True, -2)]
    assert semitones(bend("swapped", two, 0)) == [(True, -2), (True, -5)]
    assert semitones(bend("below", two, 0)) == [(False, 0), (True, -1)]
    assert semitones(bend("above", two, 0)) == [(False, 0), (True, 1)]
    assert semitones(bend("double", two, 0)) == [(True, 1), (True, -1)]
    assert semitones(bend("plain", two, 0)) == [(False, 0), (False, 0)]
    assert semitones(bend("below", two, 12)) == [(False, 0), (True, 11)]
    one = Figure("one", "One", *parse_line("1 | 5 | 6 | >7,"), ("7",))
    assert semitones(bend("above", one, 0)) == [(True, 1)]
    assert bend("swapped", one, 0) is None and bend("double", one, 0) is None
    none = Figure("none", "None", *parse_line("1 | 5"), ("7",))
    assert [bend(name, none, 0) for name in PICKUPS] == [None] * len(PICKUPS)


@pytest.mark.parametrize("key", MAJOR_KEYS)
def test_the_one_that_costs_the_hand_least_is_played(library, key):
    """The figure's own where no other saves what a hand would notice."""
    plan = make_plan(library.tune("wet-boots"), parse_key(key))
    tried = [change for change in plan.neck.transitions if change.variants]
    assert len(tried) == 5
    for change in tried:
        costs = {one.name: one.cost for one in change.variants}
        (chosen,) = (one.name for one in change.variants if one.chosen)
        least = min(costs.values())
        if costs.get("written", 10**9) <= least + NOTICED_MM * SCALE:
            assert chosen == "written"
        else:
            assert costs[chosen] == least


@pytest.mark.parametrize("name", list(PICKUPS))
def test_a_pinned_pickup_is_played_and_lands_on_the_root(library, name):
    tune = replace(library.tune("wet-boots"), pickups={5: name})
    plan = make_plan(tune, parse_key("E"))
    assert [one.name for one in at(plan, 5).variants if one.chosen] == [name]
    i, iv = plan.roots[:2]
    beats = [[note.key for note in notes] for _, notes in played(plan, part="bass")]
    expected = {
        "written": [iv - 5, iv - 2],
        "swapped": [iv - 2, iv - 5],
        "below": [i, iv - 1],
        "above": [i, iv + 1],
        "double": [iv + 1, iv - 1],
        "plain": [i, i],
    }
    assert beats[15] == expected[name]
    assert beats[16][0] == iv
    # Elsewhere the line is what it was, by the way the same chords are reached.
    free = [
        [note.key for note in notes]
        for _, notes in played(make_plan(library.tune("wet-boots"), parse_key("E")), part="bass")
    ]
    assert beats[:15] + beats[16:] == free[:15] + free[16:]


def test_pins_that_cannot_be_had_are_told(library):
    one = Figure("one", "One", *parse_line("1 | 5 | 6 | >7,"), ("7",))
    tune = replace(library.tune("wet-boots"), pickups={5: "double", 6: "below", 9: "below"}, figure=one)
    assert make_plan(tune).neck.warnings == (
        "pickup 'double' for bar 5: the figure or the instrument has no room for it",
        "pickup 'below' for bar 6: no pickup leads into a change there",
    )


def test_a_pickup_the_instrument_has_no_place_for_is_not_offered(library):
    """With E as the IV at the open string, there is nothing a semitone below to come from."""
    figure = Figure("roots", "Roots", *parse_line("1 | 1 | 1 | >1"), ("7",))
    tune = with_form(library.tune("wet-boots"), "I7", "IV7", figure=figure)
    plan = make_plan(tune, parse_key("B"), instrument=Instrument(open_strings="prefer"))
    assert plan.roots[1] == FOUR.lowest
    assert {one.name for one in at(plan, 2).variants} == {"written", "above", "plain"}


def own_tune(library, folder, table):
    (folder / "tunes").mkdir()
    shipped = library.find("tune", "wet-boots").read_text()
    (folder / "tunes" / "mine.toml").write_text(f"{shipped}\n[pickups]\n{table}\n")
    return Library(folder)


def test_a_tune_file_asks_for_pickups_by_bar(library, tmp_path):
    tune = own_tune(library, tmp_path, '5 = "below"\n10 = "plain"').tune("mine")
    assert tune.pickups == {5: "below", 10: "plain"}
    assert library.tune("wet-boots").pickups == {}


def test_mistakes_in_pickups_are_told(library, tmp_path):
    mine = own_tune(library, tmp_path, '5 = "belo"\n13 = "plain"\nx = "plain"')
    told = "\n".join(map(str, mine.check(tmp_path / "tunes" / "mine.toml")))
    assert "pickups.5 = 'belo': must be one of: written, swapped" in told
    for bar in ("13", "x"):
        assert f"pickups.{bar} = 'plain': is no bar of the form, which has bars 1 to 12" in told
