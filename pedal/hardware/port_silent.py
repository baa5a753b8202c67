"""The port of a box that cannot sound: everything else goes on."""

from pedal.hardware.port import SynthPort


class SilentPort(SynthPort):
    """Takes everything and sounds nothing."""

    name = "silent"

    def send(self, data: bytes) -> None:
        """Drop it."""

    def close(self) -> None:
        """Nothing to give back."""
