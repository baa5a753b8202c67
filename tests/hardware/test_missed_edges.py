"""Edges that the GPIO library did not tell are found by reading the pins."""

import pytest

from pedal.events import Press, Release
from pedal.hardware.gpio_pins import GpioPins
from pedal.hardware.switch_gpio import GpioSwitches, SwitchPin
from tests.hardware.test_gpio import Hands
from tests.support.recording import Collector


@pytest.fixture
def pins():
    pins = GpioPins("mock")
    yield pins
    pins.close()


def miss(pins, pin):
    """The level changes, and the library does not notice."""
    line = pins.factory.pin(pin)
    line._state = not line._state


@pytest.mark.parametrize("wiring", ["open", "closed"])
def test_finds_edges_that_were_missed(pins, wiring):
    switches = {"main": SwitchPin(17, wiring), "second": SwitchPin(27, wiring)}
    source = GpioSwitches(pins, switches)
    hands = Hands(pins, switches)
    told = Collector()
    source.start(told)
    assert source.missed(5) == []
    miss(pins, 17)
    (press,) = source.missed(7)
    assert (type(press), press) == (Press, Press(7, "main"))
    assert source.missed(8) == []  # told once
    miss(pins, 17)
    (release,) = source.missed(9)
    assert (type(release), release) == (Release, Release(9, "main"))
    assert told.events == []
    hands.press("second")
    assert len(told.events) == 1 and source.missed(10) == []  # that one came


def test_a_latching_switch_has_no_level_to_miss(pins):
    source = GpioSwitches(pins, {"main": SwitchPin(17, "latching")})
    source.start(Collector())
    miss(pins, 17)
    assert source.missed(5) == []


def test_pins_that_cannot_be_read_stop_nothing(pins, monkeypatch):
    source = GpioSwitches(pins, {"main": SwitchPin(17)})
    source.start(Collector())
    miss(pins, 17)

    def fail():
        raise OSError("bad handle")

    monkeypatch.setattr(pins.factory.pin(17), "_get_state", fail)
    assert source.missed(5) == []
