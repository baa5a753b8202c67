"""Foot switches: raw edges, each with its moment. Debounce and gestures are the Session's."""

from abc import ABC, abstractmethod
from collections.abc import Callable, Mapping
from typing import Self

from pedal.events import Notice, Press, Release
from pedal.hardware.box import Box
from pedal.hardware.gpio_pins import Pin
from pedal.hardware.keys import Keys

Put = Callable[[Press | Release | Notice], None]
"""Takes an event from any thread; never raises, never waits (`Inbox.put`)."""


class SwitchSource(ABC):
    """One or more switches of one device."""

    names: tuple[str, ...]
    """The names that presses can carry."""

    @abstractmethod
    def start(self, put: Put) -> None:
        """From now on put a `Press` or `Release` for every edge, from any thread. Raises RigError."""

    def missed(self, at: int) -> list[Press | Release]:
        """Edges that never came, found by reading the switches, as of `at` (monotonic ns). Never raises."""
        return []

    @abstractmethod
    def close(self) -> None:
        """Put nothing more and give everything back. May be called again."""


class SwitchBackend(ABC):
    """One switch as the settings have it, and how those of one device are opened."""

    @classmethod
    @abstractmethod
    def read(cls, keys: Keys, name: str) -> Self | None:
        """Read the keys of `[switches.NAME]` beside `source`; None if one is wrong."""

    @abstractmethod
    def device(self) -> str:
        """What it is part of, in words, in any case; all switches of a device are opened together."""

    def on_pin(self) -> Pin | None:
        """The GPIO that it sits on: nothing else may have it."""
        return None

    def sends(self) -> Mapping[str, object]:
        """All that it may send, in full, and how each is told; no other switch may send the same."""
        return {}

    @classmethod  # noqa: B027 - not all have anything to import
    def load(cls, box: Box) -> None:
        """Import what `open` will use: with real-time priority that would take too long. Never raises."""

    @classmethod
    @abstractmethod
    def open(cls, switches: Mapping[str, Self], box: Box) -> SwitchSource:
        """Open the switches of one device, by name. Raises RigError."""
