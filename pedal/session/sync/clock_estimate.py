"""How fast an unsteady clock goes, and where it would be if it were steady.

A straight line by least squares through the last clocks: at most two bars of four quarters. When
the last few lie off the line by more than their own unrest explains, the tempo has changed, and
what was before counts no more.
"""

from collections import deque
from itertools import islice
from math import sqrt
from typing import NamedTuple

LONGEST = 192
KNOWN = 5  # so many clocks tell a tempo
_RECENT = 8
_KEPT = 12  # after a change, at least, and so many that the tempo is known to
_EXACT = 0.01
_SURE = 5.0  # standard deviations of the mean of the recent ones
_LEAST_NS = 700_000  # a change of less than this is none


class Line(NamedTuple):
    """Clock `number` came, if all were steady, at `ns`; from one to the next it takes `interval` ns."""

    number: int
    ns: float
    interval: float

    def at(self, number: float) -> float:
        """When a clock came or comes."""
        return self.ns + (number - self.number) * self.interval


class ClockEstimate:
    """The clocks of one machine, counted."""

    def __init__(self) -> None:
        self._heard: deque[tuple[int, int]] = deque(maxlen=LONGEST)

    def __len__(self) -> int:
        return len(self._heard)

    def add(self, number: int, ns: int) -> None:
        """Clock `number` has come."""
        self._heard.append((number, ns))

    def clear(self) -> None:
        """It has stopped: what comes next is something new."""
        self._heard.clear()

    def line(self) -> Line | None:
        """The clock as it is now; None if too little of it has been heard."""
        if len(self._heard) < KNOWN:
            return None
        line = _fitted(self._heard)
        if len(self._heard) > _KEPT + _RECENT and self._has_changed(line, unrest := self._unrest()):
            # The slope's standard deviation through n clocks is that of one, times (12 / n³) ** ½.
            kept = (12 * (unrest / (_EXACT * line.interval)) ** 2) ** (1 / 3)
            while len(self._heard) > max(_KEPT, kept):
                self._heard.popleft()
            line = _fitted(self._heard)
        return line if line.interval > 0 else None

    def _has_changed(self, line: Line, unrest: float) -> bool:
        recent = list(islice(reversed(self._heard), _RECENT))
        off = sum(ns - line.at(number) for number, ns in recent) / _RECENT
        return abs(off) > max(_LEAST_NS, _SURE * unrest / sqrt(_RECENT))

    def _unrest(self) -> float:
        """The standard deviation of a clock, by second differences: a change of tempo is not in it."""
        times = [ns for _, ns in self._heard]
        second = [c - 2 * b + a for a, b, c in zip(times, times[1:], times[2:], strict=False)]
        return sqrt(sum(one * one for one in second) / len(second) / 6)


def _fitted(heard: deque[tuple[int, int]]) -> Line:
    """Least squares. Numbers and times are taken from the last one, so that floats are exact enough."""
    last, now = heard[-1]
    count = len(heard)
    mean_x = sum(number - last for number, _ in heard) / count
    mean_y = sum(ns - now for _, ns in heard) / count
    top = sum((number - last - mean_x) * (ns - now - mean_y) for number, ns in heard)
    bottom = sum((number - last - mean_x) ** 2 for number, _ in heard)
    slope = top / bottom
    return Line(last, now + mean_y - mean_x * slope, slope)
