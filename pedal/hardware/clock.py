"""The two clocks: the machine's, and one that only moves when told to.

A clock is anything with `now() -> int`, nanoseconds that never go backwards. The real
one is CLOCK_MONOTONIC: no NTP step, no summer time.
"""

import time
from typing import Protocol


class Clock(Protocol):
    """What the loop and the rig ask the time of."""

    def now(self) -> int:
        """Nanoseconds since some fixed moment; never goes backwards."""


class RealClock:
    """`time.monotonic_ns`."""

    def now(self) -> int:
        """Nanoseconds of CLOCK_MONOTONIC."""
        return time.monotonic_ns()


class SimClock:
    """A clock for tests, rendering and simulation. It stands still between advances."""

    def __init__(self, now: int = 0) -> None:
        self._now = now

    def now(self) -> int:
        """Nanoseconds, as last set."""
        return self._now

    def advance_to(self, ns: int) -> None:
        """Move to the absolute time `ns`. Raises ValueError if that is in the past."""
        if ns < self._now:
            raise ValueError(f"the clock stands at {self._now} ns and cannot go back to {ns} ns")
        self._now = ns
