import os
import subprocess
import sys
import threading
import time
import warnings

import pytest

from pedal.events import NS_PER_MS, Press, Release
from pedal.hardware import switch_gpio
from pedal.hardware.errors import LampError, PinError, RigError, SwitchError
from pedal.hardware.gpio_pins import GpioPins
from pedal.hardware.lamp_gpio import GpioLamps
from pedal.hardware.switch_gpio import GpioSwitches, SwitchPin
from tests.hardware.conformance import LampBench, SwitchBench, check_lamps, check_switches
from tests.support.recording import Collector, HandSwitches, RecordingLamps

LOW, HIGH = False, True


@pytest.fixture
def pins():
    pins = GpioPins("mock")
    yield pins
    pins.close()


def drive(pins, pin, level):
    line = pins.factory.pin(pin)
    line.drive_high() if level else line.drive_low()


class Hands:
    """Moves the mock lines as a foot would, and starts with every switch up."""

    def __init__(self, pins, switches):
        self.pins, self.switches = pins, switches
        for switch in switches.values():
            drive(pins, switch.pin, switch.wiring != "closed")

    def press(self, name):
        pin, wiring = self.switches[name]
        drive(self.pins, pin, HIGH if wiring == "closed" else LOW)

    def release(self, name):
        pin, wiring = self.switches[name]
        drive(self.pins, pin, LOW if wiring == "closed" else HIGH)

    def tap(self, name):
        pin, wiring = self.switches[name]
        if wiring == "latching":
            drive(self.pins, pin, not self.pins.factory.pin(pin).state)
        else:
            self.press(name)
            self.release(name)


def edges(told):
    return "".join({Press: "P", Release: "R"}[type(event)] for event in told.events)


class TestSwitches:
    @pytest.mark.parametrize("wiring", switch_gpio.WIRINGS)
    def test_conformance(self, wiring):
        switches = {"main": SwitchPin(17, wiring), "second": SwitchPin("GPIO27", wiring)}

        def make():
            pins = GpioPins("mock")
            source = GpioSwitches(pins, switches)
            return SwitchBench(source, Hands(pins, switches).tap, pins.close)

        check_switches(make)

    def test_the_stand_in_conforms(self):
        def make():
            hand = HandSwitches("main", "second")

            def tap(name):
                hand.press(time.monotonic_ns(), name)
                hand.release(time.monotonic_ns(), name)

            return SwitchBench(hand, tap)

        check_switches(make)

    @pytest.mark.parametrize("wiring", ["open", "closed"])
    def test_held_at_power_on_counts_only_after_a_settled_release(self, pins, monkeypatch, wiring):
        now = [0]
        monkeypatch.setattr(switch_gpio.time, "monotonic_ns", lambda: now[0])
        switches = {"main": SwitchPin(17, wiring)}
        source = GpioSwitches(pins, switches)
        hands = Hands(pins, switches)
        told = Collector()
        hands.press("main")
        source.start(told)
        assert source.read() == {"main": False}
        now[0] = 1000 * NS_PER_MS
        hands.release("main")
        hands.press("main")  # the contact bounces
        now[0] += 30 * NS_PER_MS
        hands.release("main")
        now[0] += 40 * NS_PER_MS
        hands.tap("main")  # still bouncing
        assert told.events == []
        now[0] += 60 * NS_PER_MS
        hands.press("main")
        assert source.read() == {"main": True}
        hands.release("main")
        assert source.read() == {"main": False}
        assert edges(told) == "PR"
        # The moment of the edge is a little before the moment it is told.
        assert all(0 <= now[0] - event.at < 500 * NS_PER_MS for event in told.events)

    def test_the_moment_is_that_of_the_edge_however_late_it_is_told(self, pins, monkeypatch):
        """lgpio passes the kernel's own timestamp on; a slow machine may call back much later."""
        switches = {"main": SwitchPin(17)}
        source = GpioSwitches(pins, switches)
        told = Collector()
        source.start(told)
        ticks = pins.factory.ticks
        monkeypatch.setattr(pins.factory, "ticks", lambda: ticks() - 0.3)  # when the pin changed
        before = time.monotonic_ns()
        pin = pins.factory.pin(17)
        late = pins.factory.ticks()
        monkeypatch.setattr(pins.factory, "ticks", ticks)
        pin.when_changed(late, 0)
        (event,) = told.events
        assert 280 * NS_PER_MS < before - event.at < 320 * NS_PER_MS

    @pytest.mark.parametrize("rest", [LOW, HIGH])
    def test_latching_rests_at_either_level(self, pins, rest):
        source = GpioSwitches(pins, {"main": SwitchPin(17, "latching")})
        drive(pins, 17, rest)
        told = Collector()
        source.start(told)
        for count in (1, 2, 3):
            drive(pins, 17, rest if count % 2 == 0 else not rest)
            assert edges(told) == "PR" * count
            assert told.events[-1].at == told.events[-2].at
            assert source.read() == {"main": False}

    def test_bounce_is_passed_on(self, pins):
        switches = {"main": SwitchPin(17)}
        source = GpioSwitches(pins, switches)
        hands = Hands(pins, switches)
        told = Collector()
        source.start(told)
        for _ in range(3):
            hands.tap("main")
        assert edges(told) == "PRPRPR"

    def test_reads_levels(self, pins):
        switches = {"main": SwitchPin(17, "open"), "second": SwitchPin(27, "closed")}
        source = GpioSwitches(pins, switches)
        hands = Hands(pins, switches)
        source.start(Collector())
        assert source.read() == {"main": False, "second": False}
        hands.press("main")
        assert source.read() == {"main": True, "second": False}
        hands.press("second")
        hands.release("main")
        assert source.read() == {"main": False, "second": True}

    def test_pulls_up_and_leaves_debounce_alone(self, pins):
        GpioSwitches(pins, {"main": SwitchPin(17)})
        line = pins.factory.pin(17)
        assert (line.pull, line.bounce) == ("up", None)

    def test_starts_no_thread(self, pins):
        before = threading.active_count()
        GpioSwitches(pins, {"main": SwitchPin(17)}).start(Collector())
        assert threading.active_count() == before


class TestLamps:
    @pytest.mark.parametrize("active_high", [True, False])
    def test_conformance(self, active_high):
        lamps = {"I": 5, "IV": 6, "V": "GPIO13"}

        def make():
            pins = GpioPins("mock")
            board = GpioLamps(pins, lamps, active_high)
            assert all(pins.factory.pin(pin).function == "output" for pin in lamps.values())
            return LampBench(
                board, lambda name: pins.factory.pin(lamps[name]).state == active_high, pins.close
            )

        check_lamps(make)

    def test_the_stand_in_conforms(self):
        def make():
            board = RecordingLamps("I", "IV", "V")
            return LampBench(board, lambda name: board.lit[name])

        check_lamps(make)

    def test_a_lamp_that_fails_stops_nothing(self, pins, monkeypatch):
        board = GpioLamps(pins, {"I": 5, "IV": 6})

        def fail(value):
            raise OSError("unplugged")

        monkeypatch.setattr(pins.factory.pin(5), "_set_state", fail)
        board.set("I", True)
        board.set("IV", True)
        assert pins.factory.pin(6).state
        board.close()
        assert not pins.factory.pin(6).state


class TestPins:
    def test_tells_which_library_is_in_use(self, pins):
        assert pins.library == "mock"
        assert type(pins.factory).__name__ == "MockFactory"

    def test_gpiozero_keeps_no_default(self, pins):
        import gpiozero

        GpioSwitches(pins, {"main": SwitchPin(17)})
        assert gpiozero.Device.pin_factory is None

    def test_a_silent_fallback_is_an_error(self):
        from gpiozero.exc import PinFactoryFallback

        with warnings.catch_warnings():
            GpioPins("mock").close()
            with pytest.raises(PinFactoryFallback):
                warnings.warn("falling back", PinFactoryFallback, stacklevel=1)

    @pytest.mark.parametrize(
        ("pin", "message"),
        [
            (99, 'switch "main", pin 99: 99 is not a valid pin name'),
            ("knee", 'switch "main", pin knee: knee is not a valid pin name'),
        ],
    )
    def test_a_pin_that_is_none(self, pins, pin, message):
        with pytest.raises(SwitchError) as caught:
            GpioSwitches(pins, {"main": SwitchPin(pin)})
        assert str(caught.value) == message

    def test_a_pin_that_is_power(self, pins):
        with pytest.raises(LampError, match=r'^lamp "I", pin BOARD1: .*not a GPIO pin$'):
            GpioLamps(pins, {"I": "BOARD1"})

    def test_two_switches_on_one_pin(self, pins):
        with pytest.raises(SwitchError) as caught:
            GpioSwitches(pins, {"main": SwitchPin(17), "second": SwitchPin("BOARD11")})
        assert str(caught.value) == 'switch "second", pin BOARD11: switch "main" has this pin already'

    def test_a_switch_and_a_lamp_on_one_pin(self, pins):
        GpioSwitches(pins, {"main": SwitchPin(17)})
        with pytest.raises(LampError) as caught:
            GpioLamps(pins, {"I": 5, "V": 17})
        assert str(caught.value) == 'lamp "V", pin 17: switch "main" has this pin already'

    def test_a_line_that_another_program_has(self, pins, monkeypatch):
        def busy(*_):
            raise Exception("'GPIO busy'")  # lgpio's error, quotes included

        monkeypatch.setattr(pins.factory, "pin_class", busy)
        with pytest.raises(SwitchError) as caught:
            GpioSwitches(pins, {"main": SwitchPin(17)})
        assert str(caught.value) == 'switch "main", pin 17: GPIO busy'
        assert isinstance(caught.value, PinError) and isinstance(caught.value, RigError)

    def test_a_wiring_that_is_none(self, pins):
        with pytest.raises(SwitchError) as caught:
            GpioSwitches(pins, {"main": SwitchPin(17, "ajar")})
        assert str(caught.value) == 'switch "main", pin 17: wiring must be one of open, closed, latching'

    def test_an_unknown_library(self):
        with pytest.raises(PinError) as caught:
            GpioPins("wires")
        assert str(caught.value) == "there is no GPIO library 'wires'; choose one of: lgpio, rpigpio, mock"

    def test_a_library_that_is_not_installed(self, monkeypatch):
        monkeypatch.setitem(sys.modules, "lgpio", None)
        monkeypatch.setitem(sys.modules, "gpiozero.pins.lgpio", None)
        with pytest.raises(PinError, match="lgpio or gpiozero is not installed"):
            GpioPins("lgpio")

    def test_lgpio_leaves_the_working_directory_alone(self, tmp_path):
        pytest.importorskip("gpiozero")
        if subprocess.run([sys.executable, "-c", "import lgpio"], cwd=tmp_path).returncode != 0:
            pytest.skip("lgpio is not installed")
        here, fifos = tmp_path / "here", tmp_path / "run"
        here.mkdir()
        fifos.mkdir()
        code = (
            "import os\n"
            "from pedal.hardware import errors, gpio_pins\n"
            "try: gpio_pins.GpioPins('lgpio').close(); print('opened')\n"
            "except errors.PinError as error: print(error)\n"
            "print(os.getcwd())\n"
        )
        environ = {**os.environ, "RUNTIME_DIRECTORY": str(fifos), "PYTHONPATH": os.getcwd()}
        environ.pop("LG_WD", None)
        done = subprocess.run(
            [sys.executable, "-c", code], cwd=here, env=environ, capture_output=True, text=True
        )
        outcome, directory = done.stdout.splitlines()
        assert outcome == "opened" or outcome.startswith("GPIO library lgpio cannot be used: ")
        assert directory == str(here)
        assert list(here.iterdir()) == []
        assert [path.name[:8] for path in fifos.iterdir()] == [".lgd-nfy"]
        assert done.stderr == ""
