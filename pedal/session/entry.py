"""An entry of a set or a step of a routine, and how far through them the player is."""

from dataclasses import dataclass
from typing import NamedTuple

from .settings import SessionSettings


@dataclass(frozen=True, slots=True)
class Entry:
    """One entry of a set, or one step of a routine.

    Key, tempo, mode and guide are None where the tune's or the box's own hold. A step of a
    routine may move the key `up` by semitones from where it is, has its goal in `choruses` (or, in
    a drill, in the `hardest` so many transitions), goes round the `circle` of keys, a fourth up
    every chorus, and `goes_on`: when its goal is met the next
    step begins by itself.
    """

    tune: str
    key: str | None = None
    mbpm: int | None = None
    mode: str | None = None
    guide: str | None = None
    up: int = 0
    choruses: int = 0
    hardest: int = 0
    circle: bool = False
    goes_on: bool = False


class Setlist(NamedTuple):
    """`usual` holds where an entry says nothing, `at` is the index of the one that is on.

    `waiting` is the entry whose plan has been asked for.

    `begins`: that one is to begin by itself.
    """

    entries: tuple[Entry, ...]
    usual: SessionSettings
    at: int = 0
    waiting: Entry | None = None
    begins: bool = False

    @property
    def entry(self) -> Entry | None:
        """The entry that is on."""
        return self.entries[self.at] if self.entries else None
