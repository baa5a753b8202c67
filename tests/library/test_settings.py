"""Settings: what holds without a file, what a file may say, and every mistake told at once."""

import copy
import pickle
from pathlib import Path

import pytest
from hypothesis import HealthCheck, given
from hypothesis import strategies as st

from pedal.hardware.lamp_gpio import LampPins
from pedal.hardware.switch_gpio import SwitchPin
from pedal.library.library import Library
from pedal.library.settings import Config, LampSettings, PlaySettings, SynthSettings, load_config
from pedal.library.toml_check import BadFile
from pedal.session.settings import SessionSettings
from tests.support.examples import examples
from tests.support.own import toml

FULL = {
    "tune": "third-bus-home",
    "key": "F#",
    "tempo": 88.5,
    "sequences": "mine",
    "play": {
        "mode": "vamp",
        "step": "bar",
        "use": "band",
        "guide": "off",
        "ramp": 2.5,
        "ceiling": 140,
        "mark": "clean",
        "swing": -0.25,
        "strict": True,
        "seed": 7,
    },
    "synth": {
        "port": "Sound Module",
        "api": "jack",
        "soundfont": "mine/gm.sf2",
        "gain": 2,
        "latency_ms": 12.5,
        "wire": "din",
    },
    "gpio": {"factory": "mock"},
    "switches": {"main": {"pin": 4, "wiring": "closed"}, "second": {"pin": 27}},
    "lamps": {"I": 5, "IV": 6, "V": 13, "other": 19, "beat": 20, "ready": 21, "active_high": False},
}


@pytest.fixture
def folder(tmp_path) -> Path:
    (tmp_path / "mine").mkdir()
    (tmp_path / "mine/gm.sf2").write_bytes(b"RIFF")
    return tmp_path


def load(folder: Path, text: str) -> Config:
    path = folder / "pedal.toml"
    path.write_text(text, encoding="utf-8")
    return load_config(path)


def problems(folder: Path, text: str) -> list[str]:
    """Problems without the file's name, which each must begin with."""
    with pytest.raises(BadFile) as caught:
        load(folder, text)
    start = f"{folder / 'pedal.toml'}: "
    lines = str(caught.value).splitlines()
    assert len(lines) == len(caught.value.problems) and all(line.startswith(start) for line in lines)
    return [line.removeprefix(start) for line in lines]


def test_what_holds_without_a_file():
    config = load_config()
    assert config == Config()
    assert config.play == PlaySettings(mode="through", step="change", use="practice", guide="on", seed=1)
    assert config.synth == SynthSettings("", "auto", None, 0.5, 0.0, "usb")
    assert (config.gpio, config.switches, config.lamps) == (
        "lgpio",
        {"main": SwitchPin(17)},
        LampSettings(LampPins({}, True)),
    )
    assert config.session == SessionSettings()
    assert config.tune in Library().names("tune")


def test_an_empty_file_is_no_file(folder):
    assert load(folder, "") == Config()


def test_everything_can_be_set(folder):
    config = load(folder, toml(FULL))
    assert (config.tune, config.key, config.tempo) == ("third-bus-home", "F♯", 88.5)
    assert config.sequences == folder / "mine"
    assert config.play == PlaySettings(
        "vamp", "bar", "band", "off", 2.5, 140, "clean", swing=-0.25, strict=True, seed=7
    )
    assert config.synth == SynthSettings("Sound Module", "jack", folder / "mine/gm.sf2", 2.0, 12.5, "din")
    assert config.gpio == "mock"
    assert config.switches == {"main": SwitchPin(4, "closed"), "second": SwitchPin(27, "open")}
    pins = {"I": 5, "IV": 6, "V": 13, "other": 19, "beat": 20, "ready": 21}
    assert config.lamps.backend == LampPins(pins, active_high=False) and config.lamps.pins == pins


def test_what_the_session_needs(folder):
    session = load(folder, toml(FULL)).session
    assert session == SessionSettings(
        mode="vamp",
        step="bar",
        use="band",
        guide="off",  # the player is the bass
        ramp=25,
        ceiling_mbpm=140_000,
        mark="clean",
        latency_ns=12_500_000,
        swing=-0.25,
        strict=True,
    )


def test_settings_are_frozen_and_can_go_to_another_process(folder):
    config = load(folder, toml(FULL))
    assert pickle.loads(pickle.dumps(config)) == config
    with pytest.raises(AttributeError):
        config.tune = "x"


def test_a_switch_more_leaves_the_main_one(folder):
    assert load(folder, "[switches.second]\npin = 27\n").switches == {
        "main": SwitchPin(17),
        "second": SwitchPin(27),
    }
    assert load(folder, '[switches.main]\nwiring = "latching"\n').switches == {
        "main": SwitchPin(17, "latching")
    }


def test_who_may_use_the_control_socket(folder):
    assert load(folder, "").control_group is None
    assert load(folder, '[control]\ngroup = "band"').control_group == "band"
    assert problems(folder, "[control]\ngroup = 5") == [
        "control.group = 5: must be a text in quotes, on one line and not empty"
    ]


def test_home_is_expanded(folder, monkeypatch):
    monkeypatch.setenv("HOME", str(folder))
    assert load(folder, 'sequences = "~/mine"').sequences == folder / "mine"


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ('tune = "Wet Boots"', "tune = 'Wet Boots': must be a name of small letters, digits and hyphens"),
        ('set = "a"\nroutine = "b"', "routine = 'b': there is a set as well, and only one of them can say"),
        ('tun = "wet-boots"', "tun: unknown key; did you mean 'tune'?"),
        ('key = "H"', "key = 'H': is not a key (like A, Bb, F#m)"),
        ("tempo = 0", "tempo = 0: must be a number from 40 to 260"),
        ("tempo = inf", "tempo = inf: must be a number from 40 to 260"),
        ('sequences = "gone"', "sequences = 'gone': is no folder"),
        ('sequences = "~nobody-at-all/x"', "sequences = '~nobody-at-all/x': is in the home of somebody"),
        ("play = 3", "play = 3: must be a table"),
        ('play.mode = "vmap"', "play.mode = 'vmap': must be one of: through, vamp, drill; did you"),
        ('play.mode = "loop"', "play.mode = 'loop': must be one of: through, vamp, drill"),
        ('foot.vamp.main.hold = "cue"', "foot.vamp = {'main': {'hold': 'cue'}}: no switch can stop"),
        ('foot.vamp.secnd.tap = "cue"', "foot.vamp.secnd = {'tap': 'cue'}: is no switch; there are: main"),
        (
            'foot.preset = "two"\nfoot.vamp.main.hold = "cue"\nfoot.vamp.second.hold = "stop"',
            "foot.vamp = {'main': {'hold': 'cue'}, 'second': {'hold': 'stop'}}: no switch can stop",
        ),
        ('foot.vamp.main.hold = "stopp"', "foot.vamp.main.hold = 'stopp': must be one of:"),
        ('play.step = "beat"', "play.step = 'beat': must be one of: change, bar, phrase"),
        ('play.use = "gig"', "play.use = 'gig': must be one of: practice, band"),
        ("play.guide = 1", "play.guide = 1: must be one of: on, off, alternate, fading"),
        ("play.swing = 1.5", "play.swing = 1.5: must be a number from -0.5 to 1"),
        ("play.seed = -1", "play.seed = -1: must be a whole number from 0 to 2147483647"),
        ('synth.api = "oss"', "synth.api = 'oss': must be one of: auto, alsa, jack"),
        ('synth.port = ""', "synth.port = '': must be a text in quotes, on one line and not empty"),
        ('synth.soundfont = "no.sf2"', "synth.soundfont = 'no.sf2': is no file"),
        ("synth.gain = 0", "synth.gain = 0: must be a number from 0.1 to 2"),
        ("synth.latency_ms = 501", "synth.latency_ms = 501: must be a number from 0 to 500"),
        ('synth.wire = "cable"', "synth.wire = 'cable': must be one of: usb, din"),
        ('gpio.factory = "pigpio"', "gpio.factory = 'pigpio': must be one of: lgpio, rpigpio, mock"),
        ("switches.main.pin = 28", "switches.main.pin = 28: must be a whole number from 0 to 27"),
        ("switches.second = {}", "switches.second.pin: is missing"),
        ("switches.second = 4", "switches.second = 4: must be a table"),
        ('switches."Left One".pin = 4', "switches.Left One = {'pin': 4}: the name of a switch is"),
        ('switches.main.wiring = "no"', "switches.main.wiring = 'no': must be one of: open, closed"),
        ("lamps.VI = 4", "lamps.VI: unknown key; did you mean"),
        ("lamps.I = true", "lamps.I = true: must be a whole number from 0 to 27"),
        ('lamps.backend = "bulbs"', "lamps.backend = 'bulbs': must be one of: gpio, desk"),
        ('lamps.backend = "desk"\nlamps.I = 5', "lamps.I: unknown key; there are: backend, led"),
        ("lamps.I = 17", "lamps.I = 17: switches.main.pin is on the same pin"),
        ("lamps.I = 5\nlamps.V = 5", "lamps.V = 5: lamps.I is on the same pin"),
        ("switches.second.pin = 17", "switches.second.pin = 17: switches.main.pin is on the same pin"),
        ("strict = 1\ntune = ", "is not TOML: Invalid value (at line 2, the last)"),
        ("strict = 1\ntune = x\n", "is not TOML: Invalid value (at line 2, column 8)"),
    ],
)  # fmt: skip
def test_a_mistake_is_told(folder, text, says):
    (problem,) = problems(folder, text)
    assert problem.startswith(says)


def test_all_mistakes_are_told_at_once(folder):
    text = 'tempo = 0\nkey = "H"\nplay.mode = 1\nsynth.gain = 9\nswitches.main.pin = 5\nlamps.I = 5\nx = 1\n'
    keys = [line.split(" ")[0].rstrip(":") for line in problems(folder, text)]
    assert sorted(keys) == sorted(["tempo", "key", "play.mode", "synth.gain", "lamps.I", "x"])


def test_a_file_that_is_not_there_is_told(tmp_path):
    with pytest.raises(BadFile, match=r"gone\.toml: cannot be read: No such file or directory"):
        load_config(tmp_path / "gone.toml")


JUNK = st.one_of(
    st.none(),
    st.booleans(),
    st.integers(),
    st.floats(),
    st.text(max_size=8),
    st.lists(st.integers(), max_size=2),
    st.dictionaries(st.text(max_size=4), st.integers(0, 30), max_size=2),
)


@examples(200, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(st.data())
def test_any_value_anywhere_is_taken_or_told(folder, data):
    values = copy.deepcopy(FULL)
    place = values
    while True:
        key = data.draw(st.sampled_from(sorted(place)))
        if isinstance(place[key], dict) and data.draw(st.booleans()):
            place = place[key]
            continue
        place[key] = data.draw(JUNK)
        if place[key] is None:
            del place[key]
        break
    try:
        config = load(folder, toml(values))
    except BadFile as bad:
        assert bad.problems and all("\n" not in str(problem) for problem in bad.problems)
    else:
        assert isinstance(config.session, SessionSettings)
        pins = [switch.pin for switch in config.switches.values()] + list(config.lamps.pins.values())
        assert len(pins) == len(set(pins)) and all(0 <= pin <= 27 for pin in pins)


@examples(100, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(st.text(max_size=40))
def test_any_text_is_taken_or_told(folder, text):
    try:
        load(folder, text)
    except BadFile as bad:
        assert bad.problems
