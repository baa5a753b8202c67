"""Settings and tunes with mistakes in them, where nobody reads a message: it plays in spite of them."""

import re
from copy import deepcopy
from dataclasses import replace
from functools import reduce
from operator import getitem

import pytest
from hypothesis import given
from hypothesis import strategies as st

from pedal.hardware.lamp_gpio import LampPins
from pedal.hardware.switch_gpio import SwitchPin
from pedal.library import plans
from pedal.library.settings import Config, LampSettings, load_config
from pedal.service.paths import KEPT_SETTINGS
from pedal.service.recovery import recover, recover_config
from tests.support.own import Own, toml

USUAL = Config()


@pytest.fixture
def settings(tmp_path):
    def write(text):
        file = tmp_path / "pedal.toml"
        file.write_text(text)
        return file

    return write


def test_without_mistakes_it_is_what_is_written(settings):
    config, problems = recover_config(settings("tempo = 99\n[lamps]\nI = 5\n"))
    assert (config.tempo, config.lamps.pins, problems) == (99, {"I": 5}, [])


@pytest.mark.parametrize(
    ("text", "key"),
    [
        ("tempo = 9000\n", "tempo"),
        ("colour = 'blue'\n", "colour"),
        ("sequences = 'nowhere'\n", "sequences"),
        ("[play]\nmode = 'backwards'\n", "play.mode"),
        ("[switches.second]\nwiring = 'open'\n", "switches.second.pin"),
        ("[switches.second]\npin = 17\n", "switches.second.pin"),
        ("[lamps]\nI = 17\n", "lamps.I"),
        ("[lamps.led]\nforward_v = 2.0\n", "lamps.led.resistor_ohm"),
        ("[bass]\nfrets = 99\n", "bass.frets"),
        ("[foot.through.main]\nhold = 'nothing'\n", "foot.through"),
        ("play = 3\n", "play"),
        ('"a.b" = 1\n', "a.b"),
        ('"" = 1\n', '""'),
        ('[switches.""]\npin = 5\n', 'switches.""'),
    ],
)
def test_what_is_wrong_is_left_out_and_the_rest_counts(settings, text, key):
    text = "key = 'Bb'\n" + text
    config, problems = recover_config(settings(text))
    assert key in [problem.key for problem in problems]
    assert config.key and config == replace(USUAL, key=config.key)


@pytest.mark.parametrize(
    ("odd", "right"),
    [
        ('[lamps]\nI = 5\n"a.b" = 1\n', "[lamps]\nI = 5\n"),
        ("[bass]\nstrings = 5\ntuning = [28, 'x']\n", "[bass]\nstrings = 5\n"),
        ("[switches]\nmain.pin = 22\nx = {a = 1, b = 2}\n", "[switches.main]\npin = 22\n"),
        ('[switches]\n"a b".pin = 5\n[lamps]\nI = 5\n', "[lamps]\nI = 5\n"),
        ("[lamps]\nI = 5\n" + "".join(f"a{n} = 1\n" for n in range(200)), "[lamps]\nI = 5\n"),
    ],
)
def test_no_more_is_left_out_than_is_wrong(settings, odd, right):
    wanted, problems = recover_config(settings(right))
    assert not problems and wanted != USUAL
    assert recover_config(settings(odd))[0] == wanted


GOOD = {
    "tune": "third-bus-home",
    "key": "B♭",
    "tempo": 99,
    "play": {"mode": "vamp", "ramp": 2, "seed": 5},
    "synth": {"port": "box", "gain": 0.7},
    "gpio": {"factory": "mock", "board": "pi4"},
    "switches": {
        "main": {"pin": 22, "wiring": "closed"},
        "second": {"source": "midi", "port": "feet", "note": 36},
        "third": {"source": "usb", "device": "pedal", "key": "b"},
    },
    "lamps": {"I": 5, "IV": 6, "led": {"resistor_ohm": 330, "I": {"forward_v": 1.8}}},
    "foot": {"preset": "two", "through": {"main": {"hold": "stop"}}, "vamp": {"second": {"tap": "cue"}}},
    "control": {"group": "music"},
    "bass": {"strings": 5, "frets": 22, "tuning": [23, 28, 33, 38, 43]},
    "clock": {"out": "drums"},
    "follow": {"out": "lights"},
}


def tables(values, at=()):
    """Where there are tables in a settings file."""
    yield at
    for key, value in values.items():
        if isinstance(value, dict):
            yield from tables(value, (*at, key))


def written(values, odd, first):
    """Settings with odd keys in some tables, before what is right or after it."""
    values = deepcopy(values)
    for (*where, key), value in odd.items():
        table = reduce(getitem, where, values)
        right = dict(table)
        table.clear()
        table.update({key: value} | right if first else right | {key: value})
    return toml(values)


_KNOWN = sorted({key for at in tables(GOOD) for key in at})
_TEXT = st.text(st.characters(codec="utf-8", max_codepoint=0xFFFF), max_size=12)
_ODD_KEYS = st.one_of(
    _TEXT.filter(lambda key: not re.fullmatch(r"[A-Za-z0-9_-]+", key)),
    st.lists(st.sampled_from(["", "pin", "I", *_KNOWN]), min_size=2, max_size=4).map(".".join),
    st.sampled_from(["", "Pin", "a_b", "MAIN"]),
)
_VALUES = st.recursive(
    st.one_of(
        *(st.booleans(), st.integers(), st.integers(0, 27), st.floats(), _TEXT),
        *(st.dates(), st.times(), st.datetimes()),
    ),
    lambda inner: (
        st.lists(inner, max_size=4)
        | st.dictionaries(_ODD_KEYS | st.sampled_from(["pin", "source", *_KNOWN]), inner, max_size=4)
    ),
    max_leaves=8,
)
_PLACES = st.builds(lambda at, key: (*at, key), st.sampled_from(sorted(tables(GOOD))), _ODD_KEYS)


@given(st.dictionaries(_PLACES, _VALUES, min_size=1, max_size=3), st.booleans())
def test_odd_keys_cost_nothing_that_is_right(tmp_path_factory, odd, first):
    file = tmp_path_factory.getbasetemp() / "odd.toml"
    file.write_text(toml(GOOD), encoding="utf-8")
    wanted = load_config(file)
    file.write_text(written(GOOD, odd, first), encoding="utf-8")
    config, problems = recover_config(file)
    assert config == wanted
    for at in odd:
        assert any(problem.at[: len(at)] == at for problem in problems)
    assert all(str(problem).count("\n") == 0 for problem in problems)


def test_two_things_on_one_pin_never_drive_it(settings):
    """At worst an output would drive a switch to ground."""
    config, _ = recover_config(settings("[switches.main]\npin = 99\n[lamps]\nI = 17\nV = 6\n"))
    assert config.switches["main"] == SwitchPin(17) and config.lamps.pins == {"V": 6}


def test_many_mistakes_at_once(settings):
    config, problems = recover_config(
        settings(
            "tempo = 0\nkey = 'H'\na = 1\n[lamps]\nI = 5\nIV = 5\nV = 99\n[synth]\nport = 'box'\ngain = 'x'\n"
        )
    )
    assert (config.lamps.pins, config.synth.port, len(problems)) == ({"I": 5}, "box", 6)


def test_a_file_that_cannot_be_read_leaves_the_wiring(settings, tmp_path):
    good = "tempo = 99\n[synth]\nport = 'box'\n[lamps]\nI = 5\n[switches.main]\npin = 22\n"
    recover_config(settings(good), tmp_path)
    assert (tmp_path / KEPT_SETTINGS).read_text() == good
    config, problems = recover_config(settings("[[["), tmp_path)
    assert [problem.key for problem in problems] == [""]
    assert (config.lamps, config.switches, config.synth.port) == (
        LampSettings(LampPins({"I": 5})),
        {"main": SwitchPin(22)},
        "box",
    )
    assert config.tempo is None
    assert (tmp_path / KEPT_SETTINGS).read_text() == good, "what is wrong is not kept"


@pytest.mark.parametrize("kept", [None, b"", b"[[[", b"\xff", b"tempo = 0\n"])
def test_nor_need_what_was_kept_be_right(settings, tmp_path, kept):
    if kept is not None:
        (tmp_path / KEPT_SETTINGS).write_bytes(kept)
    assert recover_config(settings("[[["), tmp_path)[0] == USUAL


def test_a_missing_file(tmp_path):
    config, problems = recover_config(tmp_path / "no.toml", tmp_path)
    assert config == USUAL and "cannot be read" in str(problems[0])


def test_a_place_that_cannot_be_written_is_no_matter(settings):
    assert recover_config(settings("tempo = 99\n"), settings("").parent / "none")[1] == []


class TestTune:
    def wish(self, **changes):
        return lambda config: replace(config, **changes)

    def test_the_wanted_one(self):
        found = recover(None, self.wish(tune="wet-boots", key="C"))
        assert (found.plan.tune.name, str(found.plan.key), found.problems) == ("wet-boots", "C", [])

    def test_a_key_that_does_not_fit(self):
        found = recover(None, self.wish(tune="wet-boots", key="Cm", tempo=90))
        assert (found.plan.tune.name, str(found.plan.key)) == ("wet-boots", "A")
        assert found.problems == ["Cm is a minor key, and wet-boots a major tune"]

    def test_an_unknown_one(self, library):
        found = recover(None, self.wish(tune="wet-bots", tempo=90))
        first = library.names("tune")[0]
        assert found.plan.tune.name == found.config.tune == first
        assert "no tune is called 'wet-bots'" in found.problems[0]
        assert found.problems[-1] == f"playing {first} instead"

    def test_one_with_mistakes(self, tmp_path, library):
        own = Own(tmp_path)
        own.change("tunes/wet-boots.toml", tempo=9000)
        found = recover(None, self.wish(sequences=tmp_path))
        assert found.plan.tune.name == library.names("tune")[0] and "tempo = 9000" in found.problems[0]

    def test_wishes_that_cannot_be_met(self):
        def wish(config):
            raise ValueError("--tempo 9000: must be 40 to 260 beats a minute")

        found = recover(None, wish)
        assert found.plan.tune.name == "wet-boots" and "--tempo 9000" in found.problems[0]

    def test_a_bug_of_ours_is_survived_and_said(self, library, monkeypatch, capsys):
        usual, broken = library.tune("wet-boots"), []

        def make_plan(tune, *arguments):
            if tune.name == usual.name:
                broken.append(tune.name)
                raise ValueError("bug")
            return make(tune, *arguments)

        make = plans.make_plan
        monkeypatch.setattr(plans, "make_plan", make_plan)
        found = recover(None, self.wish(tune="wet-boots"))
        first = library.names("tune")[0]
        assert first != usual.name and found.plan.tune.name == first and broken
        assert found.problems == ["bug", f"playing {first} instead"]
        assert "Traceback" in capsys.readouterr().err

    def test_a_mistake_of_the_player_has_no_traceback(self, capsys):
        recover(None, self.wish(tune="wet-bots"))
        assert capsys.readouterr().err == ""
