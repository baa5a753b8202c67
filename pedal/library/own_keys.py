"""The keys of a backend's own, read from a table like all others."""

from collections.abc import Callable, Sequence
from typing import Any, TypeVar

from ..hardware.keys import Keys
from .toml_check import Rule, Table, flag, one_of, text, texts, whole

T = TypeVar("T")
S = TypeVar("S", bound=str)


class OwnKeys(Keys):
    """What `hardware.keys.Keys` promises, for a `Table`."""

    def __init__(self, table: Table) -> None:
        """Ask `table`, and note mistakes there."""
        self._table = table

    def __contains__(self, key: str, /) -> bool:
        return key in self._table

    def text(self, key: str, usual: str | None = None, needed: bool = False) -> str | None:
        """A text on one line, not empty."""
        return self._get(key, text, usual, needed)

    def whole(
        self, key: str, low: int, high: int, usual: int | None = None, needed: bool = False
    ) -> int | None:
        """A whole number from `low` to `high`."""
        return self._get(key, whole(low, high), usual, needed)

    def flag(self, key: str, usual: bool) -> bool | None:
        """true or false."""
        return self._get(key, flag, usual, needed=False)

    def one_of(self, key: str, choices: Sequence[S], usual: S) -> S | None:
        """One of some words."""
        found = self._get(key, one_of(*choices), usual, needed=False)
        return next((choice for choice in choices if choice == found), None)

    def read(self, key: str, rule: Callable[[str], T], needed: bool = False) -> T | None:
        """A text that `rule` understands."""
        return self._get(key, texts(rule), None, needed)

    def wrong(self, key: str, rule: str) -> None:
        """Note a mistake that shows only beside other keys."""
        self._table.wrong(key, rule)

    def _get(self, key: str, rule: Rule[Any], usual: T | None, needed: bool) -> T | None:
        found: T | None = self._table.get(key, rule) if needed else self._table.get(key, rule, usual)
        return found
