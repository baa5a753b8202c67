"""Lamps that are either on or off. When they are is decided elsewhere."""

from abc import ABC, abstractmethod
from collections.abc import Mapping, Sequence
from typing import Self

from pedal.hardware.box import Box
from pedal.hardware.gpio_pins import Pin
from pedal.hardware.keys import Keys


class LampBoard(ABC):
    """The lamps of one box."""

    names: tuple[str, ...]
    """The lamps there are, in the order in which they sit on the box."""

    @abstractmethod
    def set(self, name: str, lit: bool) -> None:
        """Switch a lamp. Never raises, never waits; a lamp that this box lacks is ignored."""

    def status(self, text: str) -> None:  # noqa: B027 - few boards have room for text
        """Show a line of text beside the lamps, where there is room for one. Never raises, never waits."""

    @abstractmethod
    def close(self) -> None:
        """All lamps off, and everything given back. May be called again."""


class LampBackend(ABC):
    """What the settings say of a kind of board, and how it is opened. A frozen dataclass is one best."""

    @classmethod
    @abstractmethod
    def read(cls, keys: Keys, lamps: Sequence[str]) -> Self | None:
        """Read the backend's own keys in `[lamps]`; None if one is wrong. `lamps`: all that there can be."""

    @abstractmethod
    def lamps(self) -> tuple[str, ...]:
        """The names of the lamps that it is going to drive; with none it is never opened."""

    def on_pins(self) -> Mapping[str, Pin]:
        """The GPIO of each lamp that sits on one: nothing else may have it."""
        return {}

    def load(self, box: Box) -> None:  # noqa: B027 - few have anything to import
        """Import what `open` will use: with real-time priority that would take too long. Never raises."""

    @abstractmethod
    def open(self, box: Box) -> LampBoard:
        """Open the board, all lamps off. Raises RigError."""
