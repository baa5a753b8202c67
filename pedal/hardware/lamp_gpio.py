"""Lamps on GPIO pins: plain on and off.

gpiozero's blinking starts a thread per lamp, and switching off waits for it to end; the
loop has a schedule of its own.
"""

import contextlib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any, Self

from pedal.hardware.box import Box
from pedal.hardware.errors import LampError
from pedal.hardware.gpio_pins import HIGHEST_PIN, GpioPins, Pin, pin_error
from pedal.hardware.keys import Keys
from pedal.hardware.lamp import LampBackend, LampBoard


@dataclass(frozen=True, slots=True)
class LampPins(LampBackend):
    """`pins`: the GPIO of each lamp that there is. `active_high`: a high pin lights it."""

    pins: Mapping[str, Pin] = field(default_factory=dict)
    active_high: bool = True

    @classmethod
    def read(cls, keys: Keys, lamps: Sequence[str]) -> Self:
        """A pin by the name of the lamp, `active_high`. What is wrong is as if it were not there."""
        pins = {lamp: keys.whole(lamp, 0, HIGHEST_PIN) for lamp in lamps}
        found: dict[str, Pin] = {lamp: pin for lamp, pin in pins.items() if pin is not None}
        return cls(found, keys.flag("active_high", True) is not False)

    def lamps(self) -> tuple[str, ...]:
        """Those that have a pin."""
        return tuple(self.pins)

    def on_pins(self) -> Mapping[str, Pin]:
        """All of them."""
        return self.pins

    def load(self, box: Box) -> None:
        """Import the GPIO library."""
        box.load_pins()

    def open(self, box: Box) -> "GpioLamps":
        """Take the pins. Raises PinError or LampError."""
        return GpioLamps(box.pins(), self.pins, self.active_high)


class GpioLamps(LampBoard):
    """One lamp per pin."""

    def __init__(self, pins: GpioPins, lamps: Mapping[str, Pin], active_high: bool = True) -> None:
        """Take the pins, all lamps off. `active_high`: a high pin lights the lamp. Raises LampError."""
        self.names = tuple(lamps)
        self._devices: dict[str, Any] = {}
        try:
            for name, pin in lamps.items():
                self._devices[name] = _output_device(pins, name, pin, active_high)
        except LampError:
            self.close()
            raise

    def set(self, name: str, lit: bool) -> None:
        """Switch a lamp."""
        device = self._devices.get(name)
        if device is None:
            return
        try:
            device.value = lit
        except Exception:  # each library has its own; a lamp that fails must not stop the music
            pass

    def close(self) -> None:
        """All off, pins given back."""
        for name in self._devices:
            self.set(name, False)
        for device in self._devices.values():
            with contextlib.suppress(Exception):  # each library has its own
                device.close()
        self._devices = {}


def _output_device(pins: GpioPins, name: str, pin: Pin, active_high: bool) -> Any:
    from gpiozero import OutputDevice

    owner = f'lamp "{name}"'
    pins.claim(pin, owner, LampError)
    try:
        return OutputDevice(pin, active_high=active_high, initial_value=False, pin_factory=pins.factory)
    except Exception as reason:  # each library has its own
        raise pin_error(LampError, owner, pin, reason) from None
