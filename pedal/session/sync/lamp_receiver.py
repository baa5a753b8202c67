"""A follower: shows the lamps of a leader from its messages alone (`follow`). Pure, as the Session is.

A message is complete, so the newest one counts and any may get lost. Which one that is tells its
number. When it was sent tells its time: of the last few the quickest one has told how the two
clocks lie, and so a message that the cable kept back makes no lamp late that it announces.

Without a leader the lamps run from V to I every two seconds, which no music does:

    V    ▔▔▁▁▁▁▁▁▁▁▁▁▁▁▁▁▁▁▁▁
    IV   ▁▁▔▔▁▁▁▁▁▁▁▁▁▁▁▁▁▁▁▁
    I    ▁▁▁▁▔▔▁▁▁▁▁▁▁▁▁▁▁▁▁▁
"""

from collections import deque

from ...events import LAMPS, NS_PER_MS, NS_PER_S, Light
from ..lamp_scheduler import FLASHES
from .lamp_message import WRAP, Shown, bits_of, decode, lamps_of
from .midi_stream import EXCLUSIVE, Stream

LOST = ((0, ("V", "ready")), (200, ("IV", "ready")), (400, ("I", "ready")), (600, ()))
LOST_EVERY_NS = 2 * NS_PER_S
BEATS, STOPPED_NS = 2.5, 3 * NS_PER_S  # without a message, until the leader counts as lost
_REMEMBERED = 16  # messages from which the clocks are compared
_SAME_NS = 2 * NS_PER_MS  # one change: times are told in ms, each rounded
_OLD = 64  # numbers: what is further ahead than that is behind


class LampReceiver:
    """The lamps of one follower. Feed it bytes; take what is due."""

    def __init__(self, now: int) -> None:
        self.shown: Shown | None = None
        """What the leader has said last; None while there is none."""
        self._stream = Stream()
        self._lags: deque[int] = deque(maxlen=_REMEMBERED)  # here minus there, ns
        self._there = 0  # the leader's time of the last message, in ms
        self._coming: deque[tuple[int, int]] = deque()  # when, and the lamps as bits
        self._wanted = self._lit = 0
        self._rises: deque[int] = deque(maxlen=FLASHES)
        self._again: int | None = None  # when a lamp may light that had to wait
        self._lost_at = now
        self._now = now  # what was due until here has been shown
        self._out: list[Light] = []

    def hear(self, at: int, data: bytes) -> bool:
        """Bytes have come. Whether there was news in them."""
        self._advance(at)
        messages = [message for message in self._stream.feed(data) if message[0] == EXCLUSIVE]
        news = [shown for message in messages if (shown := decode(message)) and self._is_new(shown)]
        for shown in news:
            self._follow(at, shown)
        self._advance(at)
        return bool(news)

    def take(self, now: int) -> list[Light]:
        """Every change of a lamp due up to and including `now`, in order."""
        self._advance(now)
        out, self._out = self._out, []
        return out

    def deadline(self) -> int:
        """When a lamp next changes, or the leader counts as lost."""
        coming = self._coming[0][0] if self._coming else self._lost_at
        due = min(coming, self._lost_at)
        return due if self._again is None else min(due, self._again)

    # ---- messages -------------------------------------------------------------------------

    def _is_new(self, shown: Shown) -> bool:
        last = self.shown
        return last is None or shown.run != last.run or 0 < (shown.number - last.number) % 128 < _OLD

    def _follow(self, at: int, shown: Shown) -> None:
        if self.shown is None or shown.run != self.shown.run:
            self._lags.clear()
            self._there = shown.ms
        half = WRAP // 2
        self._there += (shown.ms - self._there + half) % WRAP - half
        self._lags.append(at - self._there * NS_PER_MS)
        self.shown = shown
        sent = self._there * NS_PER_MS + min(self._lags)
        told = [(sent + after * NS_PER_MS, lit) for after, lit in ((0, shown.lit), *shown.changes)]
        past = [lit for due, lit in told if due <= at]
        self._coming = deque(((at, past[-1]), *(one for one in told if one[0] > at)))
        patience = STOPPED_NS if shown.state == "stopped" else round(BEATS * shown.every * NS_PER_MS)
        self._lost_at = at + patience

    def _lose(self, at: int) -> None:
        """Nobody leads: another round of the lamps that say so."""
        self.shown = None
        told = ((at + after * NS_PER_MS, bits_of(lamps)) for after, lamps in LOST)
        self._coming = deque(told)
        self._lost_at = at + LOST_EVERY_NS

    # ---- lamps ----------------------------------------------------------------------------

    def _advance(self, now: int) -> None:
        while (due := self.deadline()) <= now:
            if due == self._lost_at and (not self._coming or self._coming[0][0] > due):
                self._lose(due)
                continue
            while self._coming and self._coming[0][0] <= due + _SAME_NS:
                _, self._wanted = self._coming.popleft()
            self._now = max(self._now, due)
            self._light(self._now)
        self._now = max(self._now, now)

    def _light(self, at: int) -> None:
        """Light what is wanted, but never a fourth time within a second (see `lamps`)."""
        self._again = None
        wanted = self._wanted
        if wanted & ~self._lit:
            if len(self._rises) == FLASHES and at - self._rises[0] <= NS_PER_S:
                self._again = self._rises[0] + NS_PER_S + 1
                wanted &= self._lit
            else:
                self._rises.append(at)
        before, after = lamps_of(self._lit), lamps_of(wanted)
        self._out += [Light(at, lamp, lamp in after) for lamp in LAMPS if (lamp in before) != (lamp in after)]
        self._lit = wanted
