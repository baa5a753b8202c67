"""How a backend reads the keys of its own in the settings, whatever these are written in."""

from collections.abc import Callable, Sequence
from typing import Protocol, TypeVar

T = TypeVar("T")
S = TypeVar("S", bound=str)


class Keys(Protocol):
    """One table of the settings. A mistake in it is noted, to be told with all others, and gives None.

    A key that is absent gives `usual`; that is a mistake only if it is `needed`. Ask for every key there
    may be, absent or not: what nobody asked for is told as unknown.
    """

    def __contains__(self, key: str, /) -> bool:
        """Whether the key is there, right or wrong."""

    def text(self, key: str, usual: str | None = None, needed: bool = False) -> str | None:
        """A text on one line, not empty."""

    def whole(
        self, key: str, low: int, high: int, usual: int | None = None, needed: bool = False
    ) -> int | None:
        """A whole number from `low` to `high`."""

    def flag(self, key: str, usual: bool) -> bool | None:
        """true or false."""

    def one_of(self, key: str, choices: Sequence[S], usual: S) -> S | None:
        """One of some words."""

    def read(self, key: str, rule: Callable[[str], T], needed: bool = False) -> T | None:
        """A text that `rule` understands; it raises ValueError, saying what the text must be."""

    def wrong(self, key: str, rule: str) -> None:
        """Note a mistake that shows only beside other keys: the value of `key` breaks `rule`."""
