"""Foot switches on GPIO pins, each between its pin and ground, with the Pi's pull-up.

    normally open     up ▔▔▔▔▔▔╲▁▁▁▁▁▁╱▔▔▔▔  high until pressed
    normally closed   up ▁▁▁▁▁▁╱▔▔▔▔▔▔╲▁▁▁▁  low until pressed
    latching             ▁▁▁▁▁▁╱▔▔▔▔▔▔▔▔▔▔▔  every change of level is one tap

gpiozero's own debounce and hold timing are not used: they differ from library to library,
come late, and an exception in them kills their thread for good.
"""

import contextlib
import time
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any, Literal, Self

from pedal.events import NS_PER_MS, NS_PER_S, Press, Release
from pedal.hardware.box import Box
from pedal.hardware.errors import SwitchError
from pedal.hardware.gpio_pins import HIGHEST_PIN, GpioPins, Pin, pin_error
from pedal.hardware.keys import Keys
from pedal.hardware.switch import Put, SwitchBackend, SwitchSource

Wiring = Literal["open", "closed", "latching"]
WIRINGS: tuple[Wiring, ...] = ("open", "closed", "latching")
MAIN_PIN = 17
"""Where the switch `main` sits unless the settings say otherwise (pin 11 of the header)."""

# Contacts of foot pedals bounce for 11 to 40 ms; what follows a release that soon is no press.
_SETTLE_NS = 50 * NS_PER_MS
_LATEST_NS = 2 * NS_PER_S  # an edge told later than that has a clock that is not ours


@dataclass(frozen=True, slots=True)
class SwitchPin(SwitchBackend):
    """How one switch is connected: its pin, and whether it is `open` or `closed` at rest, or `latching`."""

    pin: Pin
    wiring: Wiring = "open"

    @classmethod
    def read(cls, keys: Keys, name: str) -> Self | None:
        """`pin` (the main switch has one unless told otherwise) and `wiring`."""
        usual = MAIN_PIN if name == "main" else None
        pin = keys.whole("pin", 0, HIGHEST_PIN, usual, needed=usual is None)
        wiring = keys.one_of("wiring", WIRINGS, "open")
        return None if pin is None else cls(pin, wiring or "open")

    def device(self) -> str:
        """All pins are one."""
        return "GPIO"

    def on_pin(self) -> Pin:
        """Its own."""
        return self.pin

    @classmethod
    def load(cls, box: Box) -> None:
        """Import the GPIO library."""
        box.load_pins()

    @classmethod
    def open(cls, switches: Mapping[str, Self], box: Box) -> "GpioSwitches":
        """Take the pins. Raises PinError or SwitchError."""
        return GpioSwitches(box.pins(), switches)


class GpioSwitches(SwitchSource):
    """Switches on the pins of the box."""

    def __init__(self, pins: GpioPins, switches: Mapping[str, SwitchPin]) -> None:
        """Take the pins. Raises SwitchError."""
        self.names = tuple(switches)
        self._switches: dict[str, _Switch] = {}
        try:
            for name, switch in switches.items():
                self._switches[name] = _Switch(pins, name, switch.pin, switch.wiring)
        except SwitchError:
            self.close()
            raise

    def start(self, put: Put) -> None:
        """Put an event for every edge. A switch that is down now is ignored until it was up.

        Raises SwitchError if a library cannot watch the pins.
        """
        for switch in self._switches.values():
            switch.start(put)

    def read(self) -> dict[str, bool]:
        """Which switches are down at this moment, to find edges that were missed.

        False for latching switches, and for those that are still ignored since the start. Raises
        SwitchError.
        """
        return {name: switch.is_down() for name, switch in self._switches.items()}

    def missed(self, at: int) -> list[Press | Release]:
        """The edges, as of `at` (ns), that would explain what `read` sees and no edge has told.

        An edge that is on its way may be among them; a Session takes two that are alike for one.
        """
        try:
            down = self.read()
        except SwitchError:  # the loop must go on
            return []
        found: list[Press | Release] = []
        for name, switch in self._switches.items():
            if switch.told != down[name]:
                switch.told = down[name]
                found.append(Press(at, name) if down[name] else Release(at, name))
        return found

    def close(self) -> None:
        """Give the pins back."""
        for switch in self._switches.values():
            # lgpio gives a line back by claiming it anew, and fails where edges still queue.
            with contextlib.suppress(Exception):  # each library has its own
                switch.device.close()
        self._switches = {}


class _Switch:
    def __init__(self, pins: GpioPins, name: str, pin: Pin, wiring: Wiring) -> None:
        if wiring not in WIRINGS:
            raise SwitchError(f'switch "{name}", pin {pin}: wiring must be one of {", ".join(WIRINGS)}')
        self._name, self._pin = name, pin
        self._wiring = wiring
        self._put: Put = lambda event: None
        self._held_since_start = False
        self._settled_at: int | None = None
        self.told = False  # the last level that was put
        self._factory = pins.factory
        self.device = _input_device(pins, name, pin)

    def start(self, put: Put) -> None:
        self._put = put
        self._held_since_start = self._reads_down()
        # Straight from the pin, for the sake of the kernel's timestamp: when the machine is slow
        # the callbacks of one bounce can come long after one another.
        try:
            self.device.pin.when_changed = self._on_change
        except Exception as reason:  # each library has its own
            raise self._error(reason) from None

    def is_down(self) -> bool:
        if self._wiring == "latching" or self._held_since_start:
            return False
        return self._reads_down()

    def _reads_down(self) -> bool:
        try:
            return self._contact_is_down(bool(self.device.is_active))
        except Exception as reason:  # each library has its own
            raise self._error(reason) from None

    def _error(self, reason: object) -> SwitchError:
        return pin_error(SwitchError, _owner(self._name), self._pin, reason)

    def _contact_is_down(self, low: bool) -> bool:
        return low if self._wiring == "open" else not low

    # This runs in the GPIO library's only thread. Whatever it raised would end that.

    def _on_change(self, ticks: Any, state: Any) -> None:
        age = self._factory.ticks_diff(self._factory.ticks(), ticks)
        late_ns = min(max(0, int(age * NS_PER_S)), _LATEST_NS)
        self._edge(time.monotonic_ns() - late_ns, low=not state)

    def _edge(self, at: int, low: bool) -> None:
        down = self._contact_is_down(low)
        if self._wiring == "latching":
            self._put(Press(at, self._name))
            self._put(Release(at, self._name))
        elif self._held_since_start and not self._let_go(at, down):
            pass
        else:
            self.told = down
            self._put(Press(at, self._name) if down else Release(at, self._name))

    def _let_go(self, at: int, down: bool) -> bool:
        """Whether a switch held at the start is back in play: down again, after it was up in peace."""
        if not down:
            self._settled_at = at + _SETTLE_NS
        elif self._settled_at is not None and at >= self._settled_at:
            self._held_since_start = False
        return not self._held_since_start


def _owner(name: str) -> str:
    return f'switch "{name}"'


def _input_device(pins: GpioPins, name: str, pin: Pin) -> Any:
    from gpiozero import DigitalInputDevice  # not Button: that starts a thread to time holds

    owner = _owner(name)
    pins.claim(pin, owner, SwitchError)
    try:
        return DigitalInputDevice(pin, pull_up=True, bounce_time=None, pin_factory=pins.factory)
    except Exception as reason:  # each library has its own
        raise pin_error(SwitchError, owner, pin, reason) from None
