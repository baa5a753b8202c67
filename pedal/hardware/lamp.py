"""Lamps that are either on or off. When they are is decided elsewhere."""

from abc import ABC, abstractmethod


class LampBoard(ABC):
    """The lamps of one box."""

    names: tuple[str, ...]
    """The lamps there are, in the order in which they sit on the box."""

    @abstractmethod
    def set(self, name: str, lit: bool) -> None:
        """Switch a lamp. Never raises, never waits; a lamp that this box lacks is ignored."""

    @abstractmethod
    def close(self) -> None:
        """All lamps off, and everything given back. May be called again."""
