"""Every mistake of a sequence file, told at once and each on a line."""

import pytest

from pedal.library.library import Library, check_files, sequences_dir
from pedal.library.toml_check import Unknown
from tests.support.own import (
    ENDING,
    FEEL,
    FIGURE,
    FORM,
    TUNE,
    TURNAROUND,
    Own,
    only,
    problems_of,
    shipped,
    toml,
)


@pytest.fixture
def own(tmp_path) -> Own:
    return Own(tmp_path)


@pytest.mark.parametrize(
    ("file", "changes", "key", "says"),
    [
        (TUNE, {"form": "twelf-bar"}, "form", "is no form; did you mean 'twelve-bar'?"),
        (TUNE, {"feel": "shuffle"}, "feel", "is no feel; did you mean 'medium-shuffle'?"),
        (TUNE, {"figure": "bogie"}, "figure", "is no figure; did you mean 'boogie'?"),
        (TUNE, {"figure": "walk-down"}, "figure", "is a turnaround, no figure"),
        (TUNE, {"turnaround": "walkdown"}, "turnaround", "did you mean 'walk-down'?"),
        (TUNE, {"ending": "qqq"}, "ending", "is no ending; there are: "),
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
        (FORM, {"source": ""}, "source", "not empty"),
        (FORM, {"minor": True}, "key", "the form 'twelve-bar' is minor, the key is major"),
        (FEEL, {"swing": 0.5}, "swing", "from 1 to 3.5"),
        (FEEL, {"swing": [[120, 2.0], [100, 1.5]]}, "swing", "must rise from pair to pair"),
        (FEEL, {"swing": [[120]]}, "swing[1]", "a tempo and the swing at it"),
        (FEEL, {"pulse": "jerky"}, "pulse", "must be one of: straight, shuffle, swing"),
        (FEEL, {"pulse": "straight"}, "swing", "must be 1 where pulse is 'straight'"),
        (FEEL, {"swing": [[100, 2.4], [220, 1.5]]}, "swing", "one number above 1 where pulse is 'shuffle'"),
        (FEEL, {"swing": 1.0}, "swing", "one number above 1 where pulse is 'shuffle'"),
        (FEEL, {"pulse": "swing"}, "swing", "must fall from tempo to tempo where pulse is 'swing'"),
        (FEEL, {"backbeat": [2, 4]}, "backbeat", "must be a table"),
        (FEEL, {"backbeat": {"snair": [2]}}, "backbeat.snair", "unknown drum; did you mean 'snare'?"),
        (FEEL, {"backbeat": {"snare": [5]}}, "backbeat.snare[1]", "must be a whole number from 1 to 4"),
        (FEEL, {"groove": [{"snare": "-|x|-|s"}]}, "groove[1].snare", "but backbeat says on beats 2 and 4"),
        (FEEL, {"backbeat": {}, "groove": [{"snare": "-|-|X|-"}]}, "groove[1].snare", "says on no beat"),
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
        (FEEL, {"groove": [{"kick": "x|x|o|x"}]}, "groove[1].kick", "'o' is none of - g s x X"),
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
    (missing,) = check_files([nothing])
    assert missing.key == "kind" and missing.rule.startswith("is missing: one of tune, form")
    assert "cannot be read" in str(check_files([own.root / "forms/gone.toml"])[0])


def test_all_files_are_checked_the_players_too(own):
    own.change(FORM, bars=[""])
    own.write("tunes/Bad Name.toml", toml(shipped(TUNE)))
    found = check_files(own=own.root)
    assert any(problem.key == "bars[1]" for problem in found)
    assert any("small letters, digits and hyphens" in problem.rule for problem in found)
    assert len(found) == len(set(found))
