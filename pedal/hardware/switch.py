"""Foot switches: raw edges, each with its moment. Debounce and gestures are the Session's."""

from abc import ABC, abstractmethod
from collections.abc import Callable

from pedal.events import Press, Release, Told

Put = Callable[[Press | Release | Told], None]
"""Takes an event from any thread; never raises, never waits (`Inbox.put`)."""


class SwitchSource(ABC):
    """One or more switches that come from one place."""

    names: tuple[str, ...]
    """The names that presses can carry."""

    @abstractmethod
    def start(self, put: Put) -> None:
        """From now on put a `Press` or `Release` for every edge, from any thread. Raises RigError."""

    @abstractmethod
    def close(self) -> None:
        """Put nothing more and give everything back. May be called again."""
