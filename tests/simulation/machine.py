"""Another machine whose clock may lead: unsteady, lost for a while, at another tempo, started anew."""

import random
from collections.abc import Iterator

from pedal.events import NS_PER_MS as MS
from pedal.events import NS_PER_S as S
from pedal.events import ClockIn
from pedal.session.sync.midi_stream import CLOCK, CONTINUE, START, STOP, song_position

_CLOCK = bytes((CLOCK,))
_QUARTERS = (60, 84, 96.5, 120, 120, 133, 180)  # a minute
_STEADY_S = 12  # so long the band may take to be with it


class Machine:
    """Its bytes, a pure function of its seed. `grid` is what they mean, while that is plain."""

    def __init__(self, seed: int) -> None:
        self._dice = random.Random(seed)
        self.jitter = self._dice.choice((0.0, 0.5, 2.0, 5.0)) * MS
        self._bytes = self._said()
        self._next = next(self._bytes)
        self.grid: tuple[float, float] | None = None  # a clock that began a beat of its song, ns a clock
        self.steady_since = 0

    def until(self, at: int) -> Iterator[ClockIn]:
        """What it says up to and including `at`."""
        while self._next.at <= at:
            yield self._next
            self._next = next(self._bytes)

    def is_steady(self, since: int, at: int) -> bool:
        """Whether nothing has happened for long, neither here nor (since `since`) there."""
        return at - max(self.steady_since, since) > _STEADY_S * S

    def off(self, due: int, clocks: int) -> float:
        """How far a moment is from the nearest beat of so many clocks."""
        if self.grid is None:
            return 0.0
        start, apart = self.grid
        beat = apart * clocks
        return abs((due - start + beat / 2) % beat - beat / 2)

    def _said(self) -> Iterator[ClockIn]:
        """As it is sent: in order, whatever the cable does."""
        last = 0
        for meant, data in self._meant():
            last = max(last, int(meant))
            yield ClockIn(last, data)

    def _meant(self) -> Iterator[tuple[float, bytes]]:
        dice, now, runs = self._dice, float(dice_s(self._dice, 0, 20)), False
        apart = 60e9 / (24 * dice.choice(_QUARTERS))
        while True:
            for _ in range(dice.randrange(24 * 4, 24 * 120)):
                yield now + dice.uniform(0, self.jitter), _CLOCK
                now += apart
            what = dice.random()
            self.steady_since = int(now)
            if what < 0.35:
                between = now - apart / 2
                if runs:
                    yield between, bytes((STOP,))
                    self.grid = None  # no clock is a beat then
                    if dice.random() < 0.5:
                        yield between + MS, song_position(dice.choice((0, 4, 16, 192, 5000)))
                else:
                    anew = dice.random() < 0.7
                    yield between, bytes((START if anew else CONTINUE,))
                    self.grid = (now, apart) if anew else None
                runs = not runs
            elif what < 0.55:  # lost, for a moment or for long
                now += dice.choice((0.05, 0.3, 2, 20)) * S
                self.grid = None
            elif what < 0.75:
                apart = 60e9 / (24 * dice.choice(_QUARTERS))
                self.grid = None
            elif what < 0.85:  # some are late, and then come all together
                for n in range(dice.randrange(2, 40)):
                    yield now + n * 1000, _CLOCK
                self.grid = None
            elif what < 0.9:
                odd = bytes((START,)) if runs else b"\xfe"
                yield now, dice.choice((b"\xf0\x7d\x01", b"\xfe", b"\x90\x24", b"\xf2\x01", odd))


def dice_s(dice: random.Random, low: int, high: int) -> int:
    """Some seconds, in ns."""
    return int(dice.uniform(low, high) * S)
