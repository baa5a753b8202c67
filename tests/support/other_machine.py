"""Another machine with a clock of its own, more or less steady."""

import random

from pedal.events import ClockIn
from tests.support.band import MS, S

F8, FA, FB, FC = (bytes((byte,)) for byte in (0xF8, 0xFA, 0xFB, 0xFC))


def every(bpm):
    """ns from clock to clock, at quarters a minute."""
    return 60e9 / (24 * bpm)


class Machine:
    """Another machine: writes down what it sends, and when it meant to."""

    def __init__(self, jitter_ms=0.0, seed=1, at=S):
        self.sent, self.meant = [], []
        self._dice, self._jitter = random.Random(seed), jitter_ms * MS
        self.now = float(at)

    def clock(self, bpm, count):
        for _ in range(count):
            self.meant.append(self.now)
            late = self._dice.uniform(-1, 1) * self._jitter
            self._send(int(self.now + late), F8)
            self.now += every(bpm)
        return self

    def say(self, data):
        """Between the clocks: 2 ms before the next one."""
        self._send(int(self.now - 2 * MS), data)
        return self

    def _send(self, at, data):
        """In this order, whatever the cable does; a clock comes at least 1 ms after a start."""
        last = self.sent[-1] if self.sent else ClockIn(0, F8)
        self.sent.append(ClockIn(max(at, last.at + MS * (last.data != F8)), data))

    def rest(self, ns):
        self.now += ns
        return self


def tempo_of(run, first, last):
    """Beats a minute that the band has played from one beat to another, by their times."""
    times = [due for chorus, _, _, due in run.beats() if chorus]
    return 60e9 * (last - first) / (times[last] - times[first])


def in_order(events):
    return sorted(events, key=lambda event: event.at)
