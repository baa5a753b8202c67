"""What the backends of one box share."""

from pedal.hardware.gpio_pins import GpioPins, load_library


class Box:
    """The GPIO pins, opened when the first switch or lamp needs them, and the MIDI system for inputs."""

    def __init__(self, gpio: str, midi_api: str = "auto") -> None:
        """`gpio` is a library of `gpio_pins.FACTORIES`, `midi_api` one of `port_rtmidi.APIS`."""
        self.midi_api = midi_api
        self._library = gpio
        self._pins: GpioPins | None = None

    def pins(self) -> GpioPins:
        """The pins, for all the same ones. Raises PinError if they cannot be used."""
        if self._pins is None:
            self._pins = GpioPins(self._library)
        return self._pins

    def load_pins(self) -> None:
        """Import the GPIO library ahead of time. What is wrong with it is told when it is opened."""
        load_library(self._library)

    @property
    def library(self) -> str | None:
        """The name of the GPIO library in use, None if nobody has needed it or it cannot be used."""
        return self._pins.library if self._pins else None

    def close(self) -> None:
        """Give the pins back, after the switches and lamps on them. May be called again."""
        if self._pins is not None:
            self._pins.close()
