"""Sequences by name, and every mistake of a file told at once and on a line."""

import copy
import os
import subprocess
import sys
import time
import tomllib
import zipfile
from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

import pedal.library
from pedal.checks import BadFile, Problem, Unknown, read_toml
from pedal.library import FOLDERS, KINDS, Library, check_files, sequences_dir
from pedal.score.beat import Band
from pedal.score.pitch import MAJOR_KEYS, parse_key
from pedal.score.plan import make_plan
from tests.own import Own, shipped, toml
from tests.score.playing import played

TUNE, FORM, FEEL = "tunes/wet-boots.toml", "forms/twelve-bar.toml", "feels/medium-shuffle.toml"
FIGURE, TURNAROUND, ENDING = (
    f"lines/{name}.toml" for name in ("root-and-pickup", "walk-down", "stop-on-the-one")
)


@pytest.fixture
def own(tmp_path) -> Own:
    return Own(tmp_path)


def problems_of(own: Own, tune: str = "wet-boots") -> list[Problem]:
    """What is wrong with a tune and its files."""
    with pytest.raises(BadFile) as caught:
        Library(own.root).tune(tune)
    for problem in caught.value.problems:
        assert str(problem).count("\n") == 0 and len(str(problem)) < 600
    assert str(caught.value).splitlines() == [str(problem) for problem in caught.value.problems]
    return list(caught.value.problems)


def only(own: Own) -> Problem:
    (problem,) = problems_of(own)
    return problem


# ---- what is shipped ------------------------------------------------------------------


def test_all_that_is_shipped_is_in_order():
    assert [str(problem) for problem in check_files()] == []


def test_there_is_something_of_every_kind(library):
    for kind in KINDS:
        assert library.names(kind)
    assert {"twelve-bar", "twelve-bar-quick-change", "twelve-bar-turnaround"} <= set(library.names("form"))
    assert library.names("turnaround") == ["walk-down", "walk-down-minor"]


def test_every_shipped_tune_plays_in_every_key(library):
    for name in library.names("tune"):
        for key in MAJOR_KEYS:
            plan = make_plan(library.tune(name), parse_key(key))
            for last in (False, True):
                assert all(notes for _, notes in played(plan, last=last)[:-8])


def test_every_shipped_file_tells_how_to_add_one():
    for folder in sorted(set(FOLDERS.values())):
        texts = [path.read_text() for path in (sequences_dir() / folder).glob("*.toml")]
        assert all(text.startswith("# ") for text in texts)
        assert any("add your own" in text for text in texts)


def test_a_default_is_the_feels_or_the_lines(library):
    tune = library.tune("wet-boots")
    assert (tune.figure.name, tune.turnaround.name, tune.ending.name) == (
        "root-and-pickup",
        "walk-down",
        "stop-on-the-one",
    )
    assert (str(tune.key), tune.bpm, tune.choruses) == ("A", 112, 0)
    assert str(library.tune("third-bus-home").key) == "B♭"


def test_things_are_read_once(library):
    assert library.form("twelve-bar") is library.form("twelve-bar")
    assert library.tune("wet-boots").form is library.form("twelve-bar")


def test_a_tune_reads_only_what_it_needs(monkeypatch):
    read = []
    monkeypatch.setattr(
        pedal.library, "read_toml", lambda path, *rest: read.append(path.name) or read_toml(path, *rest)
    )
    Library().tune("wet-boots")
    needed = (TUNE, FORM, FEEL, FIGURE, TURNAROUND, ENDING)
    assert set(read) == {Path(file).name for file in needed}


def test_a_tune_is_ready_quickly():
    best = min(_time_to_load() for _ in range(3))
    assert best < 0.2  # s, of the 0.6 s that `pedal run` may take until it is ready


def _time_to_load() -> float:
    start = time.perf_counter()
    make_plan(Library().tune("wet-boots"))
    return time.perf_counter() - start


# ---- finding --------------------------------------------------------------------------


def test_the_players_own_wins(own):
    own.change(TUNE, title="Mine", tempo=80)
    assert Library(own.root).tune("wet-boots").title == "Mine"
    assert Library(own.root).tune("third-bus-home").title == "Third Bus Home"
    assert Library(own.root).names("tune") == Library().names("tune")


def test_a_part_of_ones_own_wins_too(own):
    own.change(FORM, title="My twelve")
    assert Library(own.root).tune("wet-boots").form.title == "My twelve"


def test_a_new_feel_and_figure_need_no_python(own):
    own.change(FEEL, title="Other").rename(own.root / "feels/other.toml")
    own.write("lines/pump.toml", 'kind = "figure"\ntitle = "Pump"\nline = "1 1 | 1 1"\nsuits = ["7"]\n')
    own.write(
        "tunes/new.toml",
        'title = "New"\nkey = "E"\ntempo = 90\nform = "twelve-bar"\nfeel = "other"\nfigure = "pump"\n',
    )
    tune = Library(own.root).tune("new")
    assert (tune.feel.name, tune.figure.name) == ("other", "pump")
    assert played(make_plan(tune))


def test_a_folder_that_is_not_there_is_an_empty_one(tmp_path):
    assert Library(tmp_path / "nothing").names("tune") == Library().names("tune")


@pytest.mark.parametrize("kind", KINDS)
def test_an_unknown_name_says_what_there_is(library, kind):
    name = library.names(kind)[0]
    with pytest.raises(Unknown) as caught:
        getattr(library, kind)(name[:-1])
    assert isinstance(caught.value, LookupError)
    message = str(caught.value)
    assert message.startswith(f"no {kind} is called {name[:-1]!r}; did you mean '")
    assert message.endswith(", ".join(library.names(kind))) and "\n" not in message


@pytest.mark.parametrize(
    "name", ["../tunes/wet-boots", "/etc/passwd", "wet-boots.toml", "", ".", "Wet-Boots", "wet-boots\n"]
)
def test_names_stay_in_their_folder(library, name):
    with pytest.raises(Unknown):
        library.tune(name)


def test_a_line_of_another_kind_is_unknown(library):
    with pytest.raises(Unknown, match="no figure is called 'walk-down'"):
        library.figure("walk-down")


def test_sequences_are_found_in_a_checkout_and_in_a_package(tmp_path):
    assert sequences_dir().name == "sequences"
    checkout = Path(__file__).parents[1]
    assert sequences_dir() == checkout / "sequences"
    # As the wheel is laid out (pyproject: `force-include`), and imported from a zip's content.
    archive = tmp_path / "wheel.zip"
    with zipfile.ZipFile(archive, "w") as wheel:
        for path in checkout.glob("pedal/**/*.py"):
            wheel.write(path, path.relative_to(checkout))
        for path in checkout.glob("sequences/**/*.toml"):
            wheel.write(path, "pedal" / path.relative_to(checkout))
    site = tmp_path / "site"
    zipfile.ZipFile(archive).extractall(site)
    program = "from pedal.library import *; print(sequences_dir()); print(len(check_files()))"
    done = subprocess.run(
        [sys.executable, "-c", program],
        cwd=tmp_path,
        env={**os.environ, "PYTHONPATH": str(site)},
        capture_output=True,
        text=True,
        check=True,
    )
    assert done.stdout.split() == [str(site / "pedal/sequences"), "0"]


# ---- mistakes -------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("file", "changes", "key", "says"),
    [
        (TUNE, {"form": "twelf-bar"}, "form", "is no form; did you mean 'twelve-bar'?"),
        (TUNE, {"feel": "shuffle"}, "feel", "is no feel; did you mean 'medium-shuffle'?"),
        (TUNE, {"figure": "bogie"}, "figure", "is no figure; did you mean 'boogie'?"),
        (TUNE, {"figure": "walk-down"}, "figure", "is a turnaround, no figure; there are: boogie"),
        (TUNE, {"turnaround": "walkdown"}, "turnaround", "did you mean 'walk-down'?"),
        (TUNE, {"ending": "qqq"}, "ending", "is no ending; there are: stop-on-the-one"),
        (TUNE, {"ending": "../lines/x"}, "ending", "is no ending"),
        (TUNE, {"key": "H"}, "key", "is not a key"),
        (TUNE, {"key": "Dbm"}, "key", "more than seven signs; write C♯m"),
        (TUNE, {"key": "Am"}, "key", "the form 'twelve-bar' is major, the key is minor"),
        (TUNE, {"key": 4}, "key", "must be a text"),
        (TUNE, {"tempo": 0}, "tempo", "must be a number from 40 to 260"),
        (TUNE, {"tempo": 261}, "tempo", "must be a number from 40 to 260"),
        (TUNE, {"tempo": True}, "tempo", "must be a number from 40 to 260"),
        (TUNE, {"tempo": float("nan")}, "tempo", "must be a number from 40 to 260"),
        (TUNE, {"title": None}, "title", "is missing"),
        (TUNE, {"title": ""}, "title", "not empty"),
        (TUNE, {"choruses": -1}, "choruses", "whole number from 0 to 999"),
        (TUNE, {"ending": "stop-on-the-one-minor"}, "ending", "is minor, the form is major"),
        (TUNE, {"temp": 90}, "temp", "unknown key; did you mean 'tempo'?"),
        (TUNE, {"kind": "form"}, "kind", "must be one of: tune"),
        (FORM, {"bars": ["I7", "", "V7"]}, "bars[2]", "a bar needs at least one chord"),
        (FORM, {"bars": []}, "bars", "must be a list in [ ] with something in it"),
        (FORM, {"bars": ["(I7)", *["I7"] * 11]}, "bars[1]", "first chord cannot be a passing one"),
        (FORM, {"bars": [7]}, "bars[1]", "must be a text with the chords"),
        (FORM, {"bars": ["I7"] * 65}, "bars", "at most 64"),
        (FORM, {"phrases": [1, 5, 13]}, "phrases[3]", "is outside the form, which has 12 bars"),
        (FORM, {"phrases": [5, 9]}, "phrases", "the first phrase starts at bar 1"),
        (FORM, {"phrases": [1, 9, 5]}, "phrases", "must rise"),
        (FORM, {"phrases": [1, 0]}, "phrases[2]", "from 1 to 64"),
        (FORM, {"bars": ["I7", "ii7"] + ["#ivo7"] * 10}, "figure", "does not suit ♯ivo7 of the form"),
        (FORM, {"minor": True}, "key", "the form 'twelve-bar' is minor, the key is major"),
        (FEEL, {"swing": 0.5}, "swing", "from 1 to 3.5"),
        (FEEL, {"swing": [[120, 2.0], [100, 1.5]]}, "swing", "must rise from pair to pair"),
        (FEEL, {"swing": [[120]]}, "swing[1]", "a tempo and the swing at it"),
        (FEEL, {"meter": "5/4"}, "meter", "must be one of"),
        (FEEL, {"tempo": [150, 80]}, "tempo", "the slowest and the fastest"),
        (FEEL, {"extension": 11}, "extension", "must be 0, 9 or 13"),
        (FEEL, {"programs": {"chords": 0, "bass": 34}}, "programs.chords", "from 1 to 128"),
        (FEEL, {"programs": {"chords": 1, "bass": 129}}, "programs.bass", "from 1 to 128"),
        (FEEL, {"programs": {"chords": 1}}, "programs.bass", "is missing"),
        (FEEL, {"figure": "nothing"}, "figure", "is no figure"),
        (FEEL, {"groove": [{"kick": "x-|x-|x-"}]}, "groove[1].kick", "3 beats, there should be 4"),
        (FEEL, {"groove": [{"kick": "x-|x-|x|x-"}]}, "groove[1].kick", "beat 3 has 1 slots"),
        (FEEL, {"groove": [{"kick": "xxxxx|x|x|x"}]}, "groove[1].kick", "5 slots; allowed are"),
        (FEEL, {"groove": [{"kick": "x|x|o|x"}]}, "groove[1].kick", "'o' is none of - g x X"),
        (FEEL, {"groove": [{"snair": "x|x|x|x"}]}, "groove[1].snair", "unknown drum; did you mean 'snare'?"),
        (FEEL, {"groove": [{}]}, "groove[1]", "needs the row of at least one drum"),
        (FEEL, {"groove": []}, "groove", "must be a list"),
        (FEEL, {"groove": None}, "groove", "is missing"),
        (FEEL, {"top": None}, "top", "is missing"),
        (FEEL, {"hats": None}, "hats", "is missing"),
        (FEEL, {"phrase_end": None}, "phrase_end", "is missing"),
        (FEEL, {"fill": {"1": {"snare": "x"}}}, "fill.2", "is missing"),
        (FEEL, {"fill": {"1": {"snare": "x|x"}, "2": {"snare": "x|x"}}}, "fill.1.snare", "should be 1"),
        (FEEL, {"comp": ["x|x|x"]}, "comp[1]", "3 beats, there should be 4"),
        (FEEL, {"comp": ["a-|--|--|--"]}, "comp[1]", "second half of the beat before"),
        (FEEL, {"comp": ["-=|--|--|--"]}, "comp[1]", "no chord before it"),
        (FEEL, {"comp": []}, "comp", "something in it"),
        (FIGURE, {"line": "1 | 9q"}, "line", "'9q' is not a step"),
        (FIGURE, {"line": ">5, | >b7,"}, "line", "begins with a pickup"),
        (FIGURE, {"suits": ["maj7"]}, "suits[1]", "must be one of"),
        (FIGURE, {"suits": ["m7"]}, "figure", "does not suit I7, IV7, V7 of the form 'twelve-bar'"),
        (FIGURE, {"start": 2}, "start", "unknown key; there are: kind, title, line, suits"),
        (TURNAROUND, {"line": "1 | 1 | 1 | 1"}, "line", "has 4 beats, its 2 bars have 8"),
        (TURNAROUND, {"line": "1|1|1|1|1|1|1|>5"}, "line", "a pickup, which a turnaround cannot use"),
        (TURNAROUND, {"comp": "x|x|x|x"}, "comp", "4 beats, there should be 8"),
        (TURNAROUND, {"drums": {"kick": "x|x|x|x"}}, "drums.kick", "4 beats, there should be 8"),
        (TURNAROUND, {"bars": ["(I7)", "V7"]}, "bars[1]", "cannot be a passing one"),
        (TURNAROUND, {"bars": ["I7", "I7 V7@2.5"]}, "bars[2]", "falls between the beats"),
        (ENDING, {"bars": ["I7", "V7"]}, "bars[2]", "an ending ends on the I"),
        (ENDING, {"bars": ["V7", "bI7"]}, "bars[2]", "an ending ends on the I"),
        (ENDING, {"start": 13}, "ending", "starts 13 bars before the end of a form that has 12"),
        (ENDING, {"ritard": 1}, "ritard", "from 0 to 0.8"),
        (ENDING, {"beats": 3, "line": "1|1|1|1|1|1", "comp": None, "drums": None}, "ending", "have 3 beats"),
    ],
)  # fmt: skip
def test_a_mistake_is_told(own, file, changes, key, says):
    path = own.change(file, **changes)
    problem = only(own)
    assert problem.key == key
    assert says in str(problem)
    # What does not fit together is told where a tune joins it.
    assert problem.file in (str(path), str(sequences_dir() / TUNE))


def test_parts_that_do_not_fit_are_all_told(own):
    own.change(FORM, beats=3)
    assert [problem.key for problem in problems_of(own)] == ["feel", "turnaround", "ending"]
    own.change(FORM, bars=["I7"], phrases=[1])
    found = problems_of(own)
    assert [problem.key for problem in found] == ["turnaround", "ending"]
    assert all("starts 2 bars before the end of a form that has 1" in str(problem) for problem in found)


def test_a_mistake_is_one_line_with_file_key_value_rule_and_hint(own):
    path = own.change(TUNE, form="twelf-bar")
    assert str(only(own)) == f"{path}: form = 'twelf-bar': is no form; did you mean 'twelve-bar'?"


def test_all_mistakes_of_all_files_are_told_at_once(own):
    own.change(TUNE, key="H", tempo=0, titel="x", title=None, feel="medium-shuffle")
    own.change(FORM, bars=["I7", "", "X", "V7"], phrases=[1, 99])
    own.change(FEEL, swing=9, comp=["q"], programs={"chords": 999, "bass": 0})
    own.change(ENDING, bars=["V7", "V7"], line="1")
    keys = {problem.key for problem in problems_of(own)}
    assert keys >= {"key", "tempo", "titel", "title", "bars[2]", "bars[3]", "phrases[2]", "swing"} | {
        "comp[1]",
        "programs.chords",
        "programs.bass",
        "line",
    }


def test_a_missing_key_is_found_under_a_mistyped_name(own):
    own.change(TUNE, tempo=None, tempoo=90)
    assert [str(p).partition(": ")[2] for p in problems_of(own)] == [
        "tempo: is missing; did you mean 'tempoo'?",
        "tempoo: unknown key; did you mean 'tempo'?",
    ]


def test_an_own_line_of_the_wrong_kind_under_a_default_name(own):
    own.write(TURNAROUND, toml(shipped(FIGURE)))
    assert "is a figure, no turnaround" in str(only(own))


def test_bad_toml_is_told_with_its_line(own):
    own.write(TUNE, 'title = "x"\nkey = \n')
    problem = only(own)
    assert "is not TOML" in problem.rule and "line 2" in problem.rule
    (own.root / TUNE).write_bytes(b'# fine\ntitle = "\xff"\n')
    assert str(only(own)).endswith("is not UTF-8 text (at line 2)")


@pytest.mark.parametrize("content", [b"\xff\xfe", b"a = " + b"[" * 5000, b"x = 1" + b"0" * 5000, b"\x00"])
def test_no_bytes_make_a_traceback(own, content):
    own.write(TUNE, "").write_bytes(content)
    assert problems_of(own)
    assert Library(own.root).names("figure") == Library().names("figure")


def test_a_number_too_long_to_print_is_only_a_mistake(own):
    own.write(TUNE, toml(shipped(TUNE) | {"tempo": 5}).replace("5", "0x" + "f" * 5000))
    assert any(problem.key == "tempo" for problem in problems_of(own))


def test_a_folder_in_place_of_a_file_is_no_file(own):
    (own.root / "tunes/mine.toml").mkdir(parents=True)
    with pytest.raises(Unknown):
        Library(own.root).tune("mine")


# ---- check_files ----------------------------------------------------------------------


def test_files_are_checked_by_folder_or_kind(own):
    good = own.change(FORM)
    stray = own.write("anywhere/else.toml", toml(shipped(FIGURE) | {"line": "9q"}))
    nothing = own.write("anywhere/nothing.toml", 'title = "x"\n')
    assert check_files([good]) == []
    assert [problem.key for problem in check_files([stray])] == ["line"]
    assert [str(problem).partition(": ")[2] for problem in check_files([nothing])] == ["kind: is missing"]
    assert "cannot be read" in str(check_files([own.root / "forms/gone.toml"])[0])


def test_all_files_are_checked_the_players_too(own):
    own.change(FORM, bars=[""])
    own.write("tunes/Bad Name.toml", toml(shipped(TUNE)))
    found = check_files(own=own.root)
    assert any(problem.key == "bars[1]" for problem in found)
    assert any("small letters, digits and hyphens" in problem.rule for problem in found)
    assert len(found) == len(set(found))


# ---- anything at all ------------------------------------------------------------------

FILES = (TUNE, FORM, FEEL, FIGURE, TURNAROUND, ENDING)
ALPHABET = "xX-=ag|1b#75,'> @.()IVivo9"
JUNK = st.one_of(
    st.none(),
    st.booleans(),
    st.integers(-3, 300),
    st.floats(),
    st.text(ALPHABET, max_size=24),
    st.text(st.characters(codec="utf-8", exclude_categories=["Cs"]), max_size=8),
    st.lists(st.one_of(st.integers(0, 14), st.text(ALPHABET, max_size=10)), max_size=4),
    st.dictionaries(st.sampled_from(["kick", "1", "2", "x"]), st.text(ALPHABET, max_size=12), max_size=2),
    st.sampled_from(["A", "Am", "twelve-bar-minor", "boogie", "none", "3/4"]),
    st.sampled_from(["I7 (#ivo7)@4", "i7 V9", "1 | 5,", "I7 IV7@2 V7@3", "1 | = | = | >5", "--|-a|==|=="]),
)


def spots(values, path=()):
    """Every place in nested values."""
    items = values.items() if isinstance(values, dict) else enumerate(values)
    for key, value in items:
        yield (*path, key)
        if isinstance(value, dict | list):
            yield from spots(value, (*path, key))


def put(values, path, junk):
    values = copy.deepcopy(values)
    place = values
    for key in path[:-1]:
        place = place[key]
    if junk is None:
        del place[path[-1]]
    else:
        place[path[-1]] = junk
    return values


def a_tune_or_problems(root: Path) -> None:
    """Whatever is accepted can be played; whatever is not is a problem and no traceback."""
    try:
        tune = Library(root).tune("wet-boots")
    except BadFile as bad:
        assert bad.problems and all("\n" not in str(problem) for problem in bad.problems)
        return
    plan = make_plan(tune)
    for last in (False, True):
        for _, notes in played(plan, Band(seed=1), last=last):
            assert all(0 <= note.key <= 127 and note.tick < note.end for note in notes)


LOOSE = settings(max_examples=4000, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])


@LOOSE
@given(st.data())
def test_any_value_anywhere_is_played_or_told(tmp_path_factory, data):
    file = data.draw(st.sampled_from(FILES))
    values = shipped(file)
    path = data.draw(st.sampled_from(sorted(spots(values), key=repr)))
    own = Own(tmp_path_factory.mktemp("own"))
    own.write(file, toml(put(values, path, data.draw(JUNK))))
    a_tune_or_problems(own.root)


@LOOSE
@given(st.sampled_from(FILES), st.data())
def test_any_damage_to_the_text_is_played_or_told(tmp_path_factory, file, data):
    text = (sequences_dir() / file).read_text()
    start = data.draw(st.integers(0, len(text)))
    end = data.draw(st.integers(start, min(len(text), start + 30)))
    junk = data.draw(st.text(st.characters(codec="utf-8"), max_size=6) | st.text('="[]\n#', max_size=4))
    own = Own(tmp_path_factory.mktemp("own"))
    own.write(file, text[:start] + junk + text[end:])
    a_tune_or_problems(own.root)


@LOOSE
@given(st.text(max_size=60))
def test_any_text_is_told(tmp_path_factory, text):
    own = Own(tmp_path_factory.mktemp("own"))
    own.write(TUNE, text)
    with pytest.raises(BadFile):
        Library(own.root).tune("wet-boots")


def test_the_writer_of_these_tests_writes_toml():
    for file in FILES:
        assert tomllib.loads(toml(shipped(file))) == shipped(file)
