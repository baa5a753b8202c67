"""Turnarounds, endings and intros: every one with every feel and every form it can go with."""

from dataclasses import replace
from itertools import pairwise

import pytest

from pedal.library.library import Library
from pedal.music.beat import Band
from pedal.music.pitch import parse_key
from pedal.music.plan import make_plan
from tests.support.examples import some
from tests.support.own import Own, problems_of

from .playing import played
from .test_every_feel import FEELS, LIBRARY, tune_in

TURNAROUNDS = {name: LIBRARY.turnaround(name) for name in LIBRARY.names("turnaround")}
ENDINGS = {name: LIBRARY.ending(name) for name in LIBRARY.names("ending")}
TAILS = {**TURNAROUNDS, **ENDINGS}
FORMS = {name: LIBRARY.form(name) for name in LIBRARY.names("form")}


def with_tail(tune, name):
    return replace(tune, **{"turnaround" if name in TURNAROUNDS else "ending": TAILS[name]})


def form_for(name):
    return "twelve-bar-minor" if TAILS[name].minor else "twelve-bar"


def degrees(tail):
    return [span.degree for bar in tail.bars for span in bar]


@pytest.mark.parametrize("minor", [False, True])
@pytest.mark.parametrize("tails", [TURNAROUNDS, ENDINGS], ids=["turnarounds", "endings"])
def test_there_are_three_of_each(tails, minor):
    assert sum(tail.minor == minor for tail in tails.values()) >= 3


@pytest.mark.parametrize("feel", some(FEELS, 2))
@pytest.mark.parametrize("name", TAILS)
def test_every_one_goes_with_every_feel(name, feel):
    plan = make_plan(with_tail(tune_in(feel, form_for(name)), name))
    last = name in ENDINGS
    beats = played(plan, Band(seed=2), last=last)
    tail = [(here, notes) for here, notes in beats if here.cell.tail_beat >= 0]
    assert len(tail) == 4 * len(TAILS[name].bars)
    for part in ("drums", "bass", "chords"):
        assert sum(note.part == part for _, notes in tail for note in notes) >= 3
    for _, notes in tail:
        for note in notes:
            assert 0 <= note.key <= 127 and note.tick < note.end


@pytest.mark.parametrize("form", some(FORMS, 2))
@pytest.mark.parametrize("name", TAILS)
def test_every_one_goes_with_every_form_of_its_mode(name, form):
    if TAILS[name].minor != FORMS[form].minor:
        return
    plan = make_plan(with_tail(tune_in("swing", form), name))
    tail = TAILS[name]
    layout = plan.last if name in ENDINGS else plan.layout
    assert len(layout) == len(FORMS[form].bars) - tail.start + len(tail.bars)
    assert all(len(cells) == 4 and cells[0].sounding for cells in layout)


@pytest.mark.parametrize("name", TURNAROUNDS)
def test_a_turnaround_ends_on_the_five(name):
    assert degrees(TURNAROUNDS[name])[0].lamp == "I"
    assert degrees(TURNAROUNDS[name])[-1].lamp == "V"


@pytest.mark.parametrize("name", ENDINGS)
def test_an_ending_ends_on_the_one(name):
    final = degrees(ENDINGS[name])[-1]
    assert final.lamp == "I" and str(final)[0] == ("i" if ENDINGS[name].minor else "I")
    # In minor on a sixth or a seventh, never on the bare triad or a major chord.
    assert final.quality in (("m6", "m7") if ENDINGS[name].minor else ("7", "9", "13", "6"))


@pytest.mark.parametrize("name", ENDINGS)
def test_an_ending_comes_home_in_the_bass(name):
    for key in ("C", "F", "A"):
        home = parse_key(key + ("m" if ENDINGS[name].minor else ""))
        plan = make_plan(with_tail(tune_in("medium-shuffle", form_for(name)), name), home)
        notes = [note for _, found in played(plan, last=True, part="bass") for note in found]
        assert notes[-1].key % 12 == home.tonic.pc
        assert notes[-1].key < 48


@pytest.mark.parametrize("name", TAILS)
def test_a_line_starts_every_chord_on_one_of_its_notes(name):
    plan = make_plan(with_tail(tune_in("medium-shuffle", form_for(name)), name), None)
    beats = played(plan, last=name in ENDINGS, part="bass")
    for here, notes in beats:
        if here.cell.tail_beat >= 0 and here.cell.beats_in == 0 and notes and notes[0].tick == here.tick:
            chord = plan.chords[here.cell.sounding[0].chord]
            assert notes[0].key % 12 in {tone.pc for tone in chord.tones}, (name, here.bar, here.beat)


@pytest.mark.parametrize("name", TAILS)
def test_a_line_does_not_leap_more_than_an_octave(name):
    plan = make_plan(with_tail(tune_in("medium-shuffle", form_for(name)), name))
    beats = played(plan, last=name in ENDINGS, part="bass")
    line = [note.key for here, found in beats if here.cell.tail_beat >= TAILS[name].lead for note in found]
    assert all(abs(one - other) <= 12 for one, other in pairwise(line))


@pytest.mark.parametrize("name", ["tag-walk-down", "tag-walk-down-minor"])
def test_a_tag_starts_before_and_runs_past_the_forms_end_on_the_figure(name):
    tail = ENDINGS[name]
    assert tail.start == 4 and len(tail.bars) == 6 and tail.lead == 16
    tune = with_tail(tune_in("two-beat", form_for(name)), name)
    plan = make_plan(tune)
    assert len(plan.last) == len(plan.layout) + 2
    beats = played(plan, last=True)
    for here, notes in beats:
        bass = [note for note in notes if note.part == "bass"]
        if 0 <= here.cell.tail_beat < tail.lead and here.beat == 1:  # each bar another chord: its root
            assert bass[0].key == plan.roots[here.cell.sounding[0].chord]
        if 0 <= here.cell.tail_beat < tail.lead and here.beat == 2:  # the two-beat figure rests there
            assert not bass
            assert any(note.part == "drums" for note in notes)  # and time goes on


def test_an_ending_may_leave_its_first_bars_to_the_feel():
    plan = make_plan(tune_in("rumba"))
    by_bar = {}
    for here, notes in played(plan, last=True, part="drums"):
        by_bar.setdefault(here.bar, set()).update(note.key for note in notes)
    assert 37 in by_bar[11] and 37 not in by_bar[12]  # the rim goes on until the hits


def test_slow_feels_end_slowly_and_held():
    assert LIBRARY.feel("slow-twelve-eight").slow
    for name in LIBRARY.names("tune"):
        tune = LIBRARY.tune(name)
        assert (tune.ending.ritard > 0) == tune.feel.slow
        if tune.feel.slow:
            last = tune.ending.comp[-2][0]
            assert last.length >= 4  # two beats in halves


def test_slow_tunes_get_a_slow_ending_by_themselves(tmp_path):
    own = Own(tmp_path)
    own.change("tunes/ladder-on-loan.toml", ending=None)
    assert Library(tmp_path).tune("ladder-on-loan").ending.name == "slow-to-the-one"


@pytest.mark.parametrize(
    ("intro", "bar"), [("none", 0), ("turnaround", 11), ("from-v", 9)], ids=["none", "turnaround", "from-v"]
)
def test_a_tune_says_how_it_starts(tmp_path, intro, bar):
    own = Own(tmp_path)
    own.change("tunes/wet-boots.toml", intro=intro)
    assert make_plan(Library(tmp_path).tune("wet-boots")).intro_bar == bar


def test_a_wrong_intro_is_told(tmp_path):
    own = Own(tmp_path)
    own.change("tunes/wet-boots.toml", intro="from-iv")
    (problem,) = problems_of(own)
    assert problem.key == "intro" and "did you mean 'from-v'?" in str(problem)


@pytest.mark.parametrize(
    ("changes", "key"),
    [
        ({"comp": "x|x|x"}, "comp"),  # no whole bars
        ({"line": "1|1|1"}, "line"),
        ({"comp": "x|x|x|x|x|x|x|x|x|x|x|x"}, "comp"),  # more than there are
    ],
)
def test_the_last_bars_of_an_ending_are_whole_bars(tmp_path, changes, key):
    own = Own(tmp_path)
    own.change("lines/stop-on-the-one.toml", **changes)
    assert [problem.key for problem in problems_of(own)] == [key]


def test_under_a_tag_the_figure_must_suit(tmp_path):
    own = Own(tmp_path)
    own.change(
        "lines/stop-on-the-one.toml", start=2, bars=["ii7", "V7", "I7"], line="1|1|1|1", comp=None, drums=None
    )
    own.change("tunes/wet-boots.toml", figure="boogie")
    (problem,) = problems_of(own)
    assert problem.key == "figure" and "does not suit ii7" in str(problem)
