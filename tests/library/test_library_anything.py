"""Whatever stands in a sequence file is played or told, and never a traceback."""

import copy
import tomllib
from pathlib import Path

import pytest
from hypothesis import HealthCheck, given
from hypothesis import strategies as st

from pedal.library.library import Library, sequences_dir
from pedal.library.toml_check import BadFile
from pedal.music.beat import Band
from pedal.music.plan import make_plan
from tests.music.playing import played
from tests.support.examples import examples
from tests.support.own import ENDING, FEEL, FIGURE, FORM, TUNE, TURNAROUND, Own, shipped, toml

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


LOOSE = examples(150, suppress_health_check=[HealthCheck.function_scoped_fixture])


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
