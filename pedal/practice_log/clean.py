"""What is clean: three clean repetitions in a row at one tempo, the measure that a drill goes by.

A single clean repetition may be luck.
"""

from collections.abc import Iterable, Iterator
from typing import NamedTuple

from .store import Repetition

ROW = 3


class DrilledChange(NamedTuple):
    """The change at a bar of a tune in a key: in another key the hand goes elsewhere."""

    tune: str
    key: str
    change: int


class Clean(NamedTuple):
    """A tempo at which a transition was clean, and the day."""

    transition: DrilledChange
    day: str
    mbpm: int


def transition_of(entry: Repetition) -> DrilledChange:
    """What a repetition was about."""
    return DrilledChange(entry.tune, entry.key, entry.change)


def day_of(at: str) -> str:
    """The player's day of a moment."""
    return at[:10]


def clean_runs(entries: Iterable[Repetition]) -> Iterator[Clean]:
    """Every time that a transition was clean three times in a row at one tempo, within one day."""
    runs: dict[DrilledChange, tuple[int, str, int]] = {}
    for entry in entries:
        transition, day = transition_of(entry), day_of(entry.at)
        mbpm, on, row = runs.get(transition, (0, "", 0))
        row = row + 1 if entry.clean and (mbpm, on) == (entry.mbpm, day) else int(entry.clean)
        runs[transition] = entry.mbpm, day, row
        if row >= ROW:
            yield Clean(transition, day, entry.mbpm)


def best_by_day(entries: Iterable[Repetition]) -> dict[DrilledChange, dict[str, int]]:
    """The best clean tempo (mbpm) of each transition on each day that has one."""
    best: dict[DrilledChange, dict[str, int]] = {}
    for transition, day, mbpm in clean_runs(entries):
        days = best.setdefault(transition, {})
        days[day] = max(mbpm, days.get(day, mbpm))
    return best


def clean_tempos(entries: Iterable[Repetition], tune: str, key: str) -> dict[int, int]:
    """The clean tempo (mbpm) by the bar of each change of a tune in a key, of the last day that has one."""
    return {
        transition.change: days[max(days)]
        for transition, days in best_by_day(entries).items()
        if (transition.tune, transition.key) == (tune, key)
    }
