"""Lamps on GPIO pins: plain on and off.

gpiozero's blinking starts a thread per lamp, and switching off waits for it to end; the
loop has a schedule of its own.
"""

from collections.abc import Mapping
from typing import Any

from pedal.hardware.errors import LampError
from pedal.hardware.gpio_pins import GpioPins, Pin, pin_error
from pedal.hardware.lamp import LampBoard


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
