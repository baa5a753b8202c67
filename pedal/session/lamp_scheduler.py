"""The lamps: spans turned into lamp changes just in time, and there the limit on flashes lies.

A PULSE or a GAP that would be the fourth flash in a second is left out, so that it merges with what
is there (WCAG 2.3.1, three flashes or below threshold). Flashes that start together count as one.
"""

from collections.abc import Iterable
from copy import copy
from itertools import chain

from ..events import LAMPS, NS_PER_MS, NS_PER_S, Light
from .lamp_patterns import ALL, GAP, HINT, IDLE_NS, PULSE, STEADY, Span, idle_spans

FLASHES = 3
SAME_NS = NS_PER_MS  # beats foretell a change to the nanosecond, but not to the same one
SECOND_NS = NS_PER_S + SAME_NS  # what was taken for the same flash may have come so much later


class LampScheduler:
    """The lamps as they are lit. Spans go in ahead of time, `Light`s come out when due."""

    def __init__(self) -> None:
        self._faults: frozenset[str] = frozenset()
        self._idle: list[Span] = []
        self._beats: dict[int, list[Span]] = {}  # composed spans by the beat they belong to
        self._winks: list[Span] = []
        self._refused: set[Span] = set()
        self._lit: dict[str, bool] = {}
        self._flashes: list[int] = []
        self._now = -1  # what was due until here has been shown
        self._recheck: int | None = None  # spans were replaced: look again then
        self._showing: list[Span] | None = None  # what may show from now on; None: to be found anew
        self._change: int | None = None  # the next change, as long as it is not stale
        self._stale = False

    def put(self, beat: int, spans: list[Span]) -> None:
        """Set (or replace) the spans of a beat. A flash that should have begun already is left out."""
        self._showing = None
        known = self._beats.get(beat)
        if known is not None:
            self._recheck = self._now + 1
        # At another tempo a flash that has begun ends at another time; it is the same one.
        begun = {span[:1] + span[2:] for span in known or () if span not in self._refused}
        self._beats[beat] = [
            span
            for span in spans
            if span.kind == STEADY or span.start > self._now or span[:1] + span[2:] in begun
        ]
        now = self._now
        over = []
        for old, kept in self._beats.items():
            for span in reversed(kept):  # HINTs come last, and they lie ahead the longest
                if span[1] > now:  # [1] is `end`, and this is asked for every beat that is kept
                    break
            else:
                over.append(old)
        for old in over:
            if old != beat:
                del self._beats[old]

    def idle(self, at: int) -> int:
        """The band is stopped: show that, and what is wrong, from `at`; returns until when."""
        self._showing = None
        self._idle = idle_spans(max(at, self._now + 1), self._faults)
        return at + IDLE_NS

    def set_faults(self, faults: Iterable[str]) -> None:
        """What is wrong from now on (of FAULTS)."""
        self._showing = None
        self._faults = frozenset(faults)
        self._recheck = self._now + 1

    def wink(self, start: int, end: int, lamp: str, kind: int) -> None:
        """Answer a press at once. A fault's pattern gives way to it; what is lit already goes dark."""
        self._showing = None
        if self._idle and kind == PULSE and self._lit.get(lamp):
            kind = GAP
        if self._faults:
            self._idle, self._recheck = [], self._now + 1
        self._winks = [span for span in self._winks if span.end > self._now]
        self._winks.append(Span(max(start, self._now + 1), end, lamp, kind))

    def unwink(self, at: int) -> None:
        """The press is taken back: so is its answer."""
        self._showing = None
        self._winks = [_until(span, at) for span in self._winks if span.start < at]
        self._recheck = self._now + 1

    def drop_after(self, when: int) -> None:
        """Forget what was composed for later than `when`: the band has stopped."""
        self._showing = None
        self._beats = {
            beat: [_until(span, when) for span in spans if span.start < when]
            for beat, spans in self._beats.items()
        }
        self._winks = [_until(span, when) for span in self._winks if span.start < when]
        self._idle = []
        self._recheck = self._now + 1

    def lit(self) -> tuple[str, ...]:
        """The lamps that are lit now."""
        return tuple(lamp for lamp in LAMPS if self._lit.get(lamp))

    def next_change(self) -> int | None:
        """When a span next starts or ends."""
        if self._stale or self._showing is None:
            now = self._now
            edges = [edge for span in self._spans() for edge in span[:2] if edge > now]
            if self._recheck is not None:
                edges.append(self._recheck)
            self._change, self._stale = min(edges, default=None), False
        return self._change

    def show(self, now: int) -> list[Light]:
        """The changes due up to and including `now`, in order."""
        lights: list[Light] = []
        while (edge := self.next_change()) is not None and edge <= now:
            self._now, self._recheck, self._stale = edge, None, True
            lights += self._edge(edge)
        self._now = max(self._now, now)
        return lights

    def foresee(self, until: int) -> list[Light]:
        """The changes up to and including `until`, if nothing more comes in."""
        twin = copy(self)
        twin._refused, twin._lit, twin._flashes = set(self._refused), dict(self._lit), list(self._flashes)
        return twin.show(until)

    def _spans(self) -> list[Span]:
        """All that may show from now on: what is over is left out, and so are HINTs."""
        if self._showing is None:
            every = [*chain.from_iterable(self._beats.values()), *self._idle, *self._winks]
            self._showing = [span for span in every if span.kind != HINT and span.end > self._now]
        return self._showing

    def _edge(self, at: int) -> list[Light]:
        spans = [span for span in self._spans() if span.start <= at < span.end]
        if self._refused:
            self._refused &= set(spans)
        self._flashes = [start for start in self._flashes if start >= at - SECOND_NS]
        # Winks first: the foot must have its answer. Gaps before pulses: what lights up in the dark
        # is seen when the gap ends, and that has been counted. A gap gets bright at its end.
        for span in reversed(spans):
            if span.kind == GAP and span.start == at and not self._admit(at, span.end):
                self._refused.add(span)
        dark = {span.lamp for span in spans if span.kind == GAP and span not in self._refused}
        for span in reversed(spans):
            unseen = self._lit.get(span.lamp) or span.lamp in dark or ALL in dark
            if span.kind == PULSE and span.start == at and not unseen and not self._admit(at, at):
                self._refused.add(span)
        lit = {span.lamp for span in spans if span.kind in (STEADY, PULSE) and span not in self._refused}
        if self._faults and not self._idle:
            lit.add("ready")
        wanted = {
            lamp: lamp in lit and lamp not in dark and (ALL not in dark or lamp == "ready") for lamp in LAMPS
        }
        if not self._flashed(at) and any(on and not self._lit.get(lamp) for lamp, on in wanted.items()):
            # Something steady lights up. HINTs have kept room for it; where the form jumps
            # unforeseen there may be none, and then it waits: the limit is above all.
            recent = [flash for flash in self._flashes if at - SECOND_NS <= flash <= at]
            if len(recent) >= FLASHES:
                self._recheck = recent[-FLASHES] + SECOND_NS + 1
                wanted = {lamp: on and self._lit.get(lamp, False) for lamp, on in wanted.items()}
            else:
                self._flashes.append(at)
        lights = []
        for lamp, on in wanted.items():
            if on != self._lit.get(lamp, False):
                self._lit[lamp] = on
                lights.append(Light(at, lamp, on))
        return lights

    def _flashed(self, at: int) -> bool:
        return any(abs(flash - at) < SAME_NS for flash in self._flashes)

    def _admit(self, now: int, bright: int) -> bool:
        """Whether one more flash, bright at `bright`, is not the fourth in some second."""
        if self._flashed(bright):
            return True
        begun = [spans for spans in self._beats.values() if spans and spans[0].start <= now]
        hints = [span.start for spans in begun for span in spans if span.kind == HINT and span.start > now]
        times: list[int] = []
        for time in sorted({*self._flashes, *hints, bright}):
            if not times or time - times[-1] >= SAME_NS:
                times.append(time)
        for first, fourth in zip(times, times[FLASHES:], strict=False):
            if first <= bright <= fourth <= first + SECOND_NS:
                return False
        self._flashes.append(bright)
        return True


def _until(span: Span, when: int) -> Span:
    """A span that ends at `when` at the latest."""
    return span._replace(end=min(span.end, when))
