"""What is clean: three clean repetitions in a row at one tempo, the measure that a drill goes by.

A single clean repetition may be luck.
"""

from collections.abc import Iterable, Iterator
from typing import NamedTuple

from .store import Repetition

ROW = 3


class Transition(NamedTuple):
    """The change at a bar of a tune in a key: another key is another place on the neck."""

    tune: str
    key: str
    change: int


class Clean(NamedTuple):
    """A tempo at which a transition was clean, and the day."""

    transition: Transition
    day: str
    mbpm: int


def transition_of(entry: Repetition) -> Transition:
    """What a repetition was about."""
    return Transition(entry.tune, entry.key, entry.change)


def day_of(at: str) -> str:
    """The player's day of a moment."""
    return at[:10]


def clean_runs(entries: Iterable[Repetition]) -> Iterator[Clean]:
    """Every time that a transition was clean three times in a row at one tempo, within one day."""
    runs: dict[Transition, tuple[int, str, int]] = {}
    for entry in entries:
        transition, day = transition_of(entry), day_of(entry.at)
        mbpm, on, row = runs.get(transition, (0, "", 0))
        row = row + 1 if entry.clean and (mbpm, on) == (entry.mbpm, day) else int(entry.clean)
        runs[transition] = entry.mbpm, day, row
        if row >= ROW:
            yield Clean(transition, day, entry.mbpm)


def best_by_day(entries: Iterable[Repetition]) -> dict[Transition, dict[str, int]]:
    """The best clean tempo (mbpm) of each transition on each day that has one."""
    best: dict[Transition, dict[str, int]] = {}
    for transition, day, mbpm in clean_runs(entries):
        days = best.setdefault(transition, {})
        days[day] = max(mbpm, days.get(day, mbpm))
    return best


def best_clean(entries: Iterable[Repetition]) -> dict[Transition, int]:
    """The best clean tempo (mbpm) that each transition has ever had."""
    return {transition: max(days.values()) for transition, days in best_by_day(entries).items()}


def clean_tempos(
    entries: Iterable[Repetition], tune: str, key: str, before: str | None = None
) -> dict[int, int]:
    """The clean tempo (mbpm) of each change of a tune in a key, as of the last day that has one.

    With `before`, a day: as of an earlier day than that, for a cold retest.
    """
    found = {}
    for transition, days in best_by_day(entries).items():
        earlier = [day for day in days if before is None or day < before]
        if (transition.tune, transition.key) == (tune, key) and earlier:
            found[transition.change] = days[max(earlier)]
    return found
