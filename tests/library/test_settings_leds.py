"""The currents of the lamps, by Ohm's law and the limits of the Raspberry Pi documentation."""

import pytest

from pedal.library import settings_leds
from pedal.library.settings import check_config
from pedal.library.settings_leds import Led, pin_limit, warnings
from tests.support.commands import pedal

RED = Led(3.3, 2.0, 470)


def test_the_current():
    assert RED.milliamperes == pytest.approx(2.77, abs=0.01)
    assert Led(3.3, 3.4, 470).milliamperes == 0  # it does not light at all


@pytest.mark.parametrize(("board", "limit"), [("zero2", 16), ("pi3", 16), ("pi4", 8), ("pi5", 16)])
def test_the_limits(board, limit):
    just = Led(3.3, 2.0, 1300 / (limit - 0.1))
    over = Led(3.3, 2.0, 1300 / (limit + 0.1))
    assert warnings({"I": just, "IV": RED}, {"I": 5, "IV": 6}, board) == []
    (line,) = warnings({"I": over, "IV": RED}, {"I": 5, "IV": 6}, board)
    assert line.startswith(f"lamp I draws {limit + 0.1:.1f} mA, and a pin gives {limit} mA")


def test_altogether():
    lamps = dict.fromkeys(("I", "IV", "V", "other"), Led(3.3, 2.0, 100))  # 13 mA each
    pins = {lamp: number for number, lamp in enumerate(lamps, 5)}
    assert warnings(lamps, pins, "pi3") == ["all lamps draw 52.0 mA; the pins give 50 mA at most altogether"]
    del pins["other"]  # it sits on no pin
    assert warnings(lamps, pins, "pi3") == []


@pytest.mark.parametrize(
    ("model", "limit"),
    [
        ("Raspberry Pi 4 Model B Rev 1.1\0", 8),
        ("Raspberry Pi 400 Rev 1.0\0", 8),
        ("Raspberry Pi Compute Module 4 Rev 1.0\0", 8),
        ("Raspberry Pi 5 Model B Rev 1.0\0", 16),
        ("Raspberry Pi Zero 2 W Rev 1.0\0", 16),
        (None, 16),
    ],
)
def test_the_board_is_found(monkeypatch, tmp_path, model, limit):
    file = tmp_path / "model"
    if model is not None:
        file.write_text(model)
    monkeypatch.setattr(settings_leds, "_MODEL", file)
    assert pin_limit(None) == limit


@pytest.fixture
def settings(tmp_path):
    def write(text):
        file = tmp_path / "pedal.toml"
        file.write_text(text)
        return file

    return write


def test_check_warns_and_that_is_no_mistake(settings):
    file = settings(
        "[gpio]\nboard = 'pi4'\n[lamps]\nI = 5\nV = 6\n"
        "[lamps.led]\nresistor_ohm = 470\nV = { forward_v = 1.9, resistor_ohm = 100 }\n"
    )
    done = pedal("check", file)
    assert done.returncode == 0
    assert done.stdout == (
        f"{file}: warning: lamp V draws 14.0 mA, and a pin gives 8 mA at most: a larger resistor is needed\n"
        "no mistakes found\n"
    )


@pytest.mark.parametrize(
    ("text", "mistake"),
    [
        ("supply_v = 5\nresistor_ohm = 470", "lamps.led.supply_v = 5: must be a number from 1 to 3.5"),
        ("resistor_ohm = 0", "lamps.led.resistor_ohm = 0: must be a number from 1 to 1e+06"),
        ("forward_v = 2", "lamps.led.resistor_ohm: is missing"),
        ("resistor_ohm = 470\nVI = { forward_v = 3 }", "lamps.led.VI: unknown key"),
        ("resistor_ohm = 470\nV = { forward = 3 }", "lamps.led.V.forward: unknown key"),
        ("V = 3\nresistor_ohm = 470", "lamps.led.V = 3: must be a table"),
    ],
)
def test_mistakes(settings, text, mistake):
    (problem,) = check_config(settings(f"[lamps.led]\n{text}\n"))
    assert mistake in str(problem)
