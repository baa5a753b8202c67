"""What the lamps show, as a function of the position.

A beat gives *spans*: stretches of time in which a lamp is lit or dark. The kinds:

    STEADY   the truth about what sounds
    PULSE    lit for a while: what comes, a count, a blip
    GAP      dark for a while: a wink, the last time, "the next is this same lamp"
    HINT     shows nothing: a STEADY lamp will light then, so leave it room

`Panel` turns spans into lamp changes just in time, and there the limit lies: a PULSE or a GAP
that would be the fourth flash in a second is left out, so that it merges with what is there
(WCAG 2.3.1, three flashes or below threshold). Flashes that start together count as one.

A fault shows while the band is stopped, as a pattern that music never makes (`IDLE`), and at any
time on the lamp `ready`: while playing that one is lit if and only if something is wrong.
"""

from collections.abc import Iterable
from copy import copy
from itertools import chain
from typing import NamedTuple

from ..events import NS_PER_MS, NS_PER_S, Light
from ..score.plan import Plan
from .timeline import Timeline
from .walk import Walk, by_clock, cell, cells, coming_step, step_left

STEADY, PULSE, GAP, HINT = range(4)
LAMPS = ("I", "IV", "V", "other", "beat", "ready")
COUNTED = ("I", "IV", "V")  # as many as repetitions were clean in a row
ALL = "*"  # a gap on every lamp

BLIP_NS = 80 * NS_PER_MS
LAST_GAP_NS = 100 * NS_PER_MS
IDLE_NS = 2 * NS_PER_S
AHEAD_NS = 2 * NS_PER_S
FLASHES = 3
SAME_NS = NS_PER_MS  # beats foretell a change to the nanosecond, but not to the same one
FAULTS = ("cannot sound", "bad file", "degraded")  # the worst first: that one shows
# Beats closer than this would pulse four times in some second: every other beat pulses.
CLOSE_BEATS_NS = 345 * NS_PER_MS


class Span(NamedTuple):
    """`lamp` is lit (STEADY, PULSE) or dark (GAP) from `start` to `end`, in ns."""

    start: int
    end: int
    lamp: str
    kind: int


def beat_spans(plan: Plan, walk: Walk, timeline: Timeline, latency_ns: int) -> list[Span]:
    """The spans of one beat, later than the notes by the synth's latency."""
    start = timeline.at(walk.tick) + latency_ns
    end = timeline.at(walk.tick + plan.feel.ticks) + latency_ns
    if walk.counting:
        first = _lamp(plan, cell(plan, walk).place)
        pulses = _pulses_now(plan, walk, timeline)
        beats_left = (walk.count - walk.bar) * plan.feel.beats + plan.feel.beats - walk.beat + 1
        enters = start + beats_left * (end - start)
        pulse = [Span(start, start + (end - start) // 2, first, PULSE)] if pulses else []
        return [*pulse, Span(enters, enters, first, HINT)]
    if walk.hats and walk.drill:
        clean = min(len(COUNTED), walk.drill.row + (not walk.drill.missed))
        on = start + (plan.feel.beats - walk.beat + 1) * (end - start)
        return [*(Span(start, end, lamp, PULSE) for lamp in COUNTED[:clean]), Span(on, on, "", HINT)]
    if walk.late and walk.before:
        middle = timeline.at(walk.tick + walk.late) + latency_ns
        before = [
            span._replace(end=min(span.end, middle))
            for span in _spans(plan, walk.before, timeline, start, end)
            if span.start < middle
        ]
        return before + [span for span in _spans(plan, walk, timeline, middle, end) if span.kind == STEADY]
    return _spans(plan, walk, timeline, start, end)


def _spans(plan: Plan, walk: Walk, timeline: Timeline, start: int, end: int) -> list[Span]:
    now = _lamp(plan, cell(plan, walk).place)
    spans = [Span(start, end, now, STEADY)]
    if _pulses_now(plan, walk, timeline):
        spans.append(Span(start, start + BLIP_NS, "beat", PULSE))
    half = (end - start) // 2
    lamp, kind = _coming(plan, walk, timeline)
    if kind == "pulse":
        # A pulse into a lamp that is lit anyway is a gap instead; in the middle of the beat,
        # where it cannot be taken for a change on the beat.
        spans.append(
            Span(start, start + half, lamp, PULSE)
            if lamp != now
            else Span(start + half, start + half + min(LAST_GAP_NS, half // 2), lamp, GAP)
        )
    elif kind == "blip":
        spans.append(Span(start, start + BLIP_NS, lamp, GAP if lamp == now else PULSE))
    if walk.is_last and walk.beat == 1:
        spans.append(Span(start, start + LAST_GAP_NS, ALL, GAP))
    spans += [Span(at, at, now, HINT) for at in (start + n * (end - start) for n in _changes(plan, walk))]
    return spans


def _changes(plan: Plan, walk: Walk) -> list[int]:
    """In how many beats another lamp may light up steadily: the next two changes, or the bar line."""
    here, beats = cell(plan, walk), plan.feel.beats
    ahead = []
    if walk.drill or walk.drill_next or walk.again or not by_clock(plan, walk):
        ahead.append(beats - walk.beat + 1)
    if here.coming_in:
        layout = cells(plan, walk)
        at = (walk.bar - 1) * beats + walk.beat - 1 + here.coming_in
        after = layout[at // beats % len(layout)][at % beats].coming_in
        ahead += [here.coming_in, here.coming_in + after]
    return ahead


def _coming(plan: Plan, walk: Walk, timeline: Timeline) -> tuple[str, str]:
    """The lamp of what comes and how it shows in this beat: `pulse`, `blip` or not at all."""
    here, beats = cell(plan, walk), plan.feel.beats
    if not by_clock(plan, walk):
        if walk.cue:
            # In the beat of the press the lamp is lit already, as the press's own wink.
            pulses = walk.tick >= walk.cue.tick and _pulses_now(plan, walk, timeline)
            return _lamp(plan, coming_step(plan, walk).chord), "pulse" if pulses else ""
        if here.coming_in == 0 or here.coming_in >= step_left(plan, walk):
            return _lamp(plan, coming_step(plan, walk).chord), "blip" if walk.beat == 1 else ""
    loop_ends = walk.drill and not walk.drill.whole and here.coming_in > beats - walk.beat + 1
    if here.coming < 0 or (loop_ends and walk.drill and walk.drill.at == len(walk.drill.loop.bars) - 1):
        return "", ""
    lamp = _lamp(plan, here.coming)
    short_bar = beats * timeline.beat_ns < AHEAD_NS
    if here.coming_in <= beats:
        return lamp, "pulse" if _pulses_now(plan, walk, timeline) else ""
    early = short_bar and here.coming_in <= 2 * beats and walk.beat in (1, 3)
    return lamp, "pulse" if early else ""


def _pulses_now(plan: Plan, walk: Walk, timeline: Timeline) -> bool:
    return timeline.beat_ns >= CLOSE_BEATS_NS or walk.beat % 2 == 1


def _lamp(plan: Plan, chord: int) -> str:
    return plan.chords[chord].degree.lamp


# ---- stopped ----------------------------------------------------------------------------

READY = "ready"
# What each state shows over and over while the band is stopped: from and to in ms, which lamps.
#
#   ready          I      ▔▁▁▁▁▁▁▁▁▁▁▁▁▁▁▁▁▁▁▁
#   cannot sound   I IV V ▔▔▔▔▔▔▔▔▔▔▁▁▁▁▁▁▁▁▁▁   all three, half of the time
#   bad file       I V    ▔▔▔▔▔▔▔▔▔▔▁▁▁▁▁▁▁▁▁▁   the outer two and the middle one in turn
#                  IV     ▁▁▁▁▁▁▁▁▁▁▔▔▔▔▔▔▔▔▔▔
#   degraded       I      ▔▁▁▁▁▁▁▁▁▁▁▁▁▁▁▁▁▁▁▁   ready, and an echo
#                  V      ▁▁▁▁▁▔▁▁▁▁▁▁▁▁▁▁▁▁▁▁
IDLE: dict[str, tuple[tuple[int, int, tuple[str, ...]], ...]] = {
    READY: ((0, 80, ("I",)),),
    "cannot sound": ((0, 1000, ("I", "IV", "V", "ready")),),
    "bad file": ((0, 1000, ("I", "V", "ready")), (1000, 2000, ("IV",)), (1200, 1400, ("ready",))),
    "degraded": ((0, 80, ("I",)), (500, 580, ("V",)), (0, 1800, ("ready",))),
}


def idle_spans(at: int, faults: Iterable[str] = ()) -> list[Span]:
    """What the lamps show from `at` for IDLE_NS, the band being stopped."""
    worst = next((fault for fault in FAULTS if fault in faults), READY)
    # The lamp `ready` does not flash: it stays on until something else is shown.
    on = [Span(at, at + 2 * IDLE_NS, "ready", PULSE)] if worst == READY else []
    return on + [
        Span(at + start * NS_PER_MS, at + end * NS_PER_MS, lamp, PULSE)
        for start, end, lamps in IDLE[worst]
        for lamp in lamps
    ]


class Panel:
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
        # From behind: HINTs come last, and they lie ahead the longest.
        for old in [key for key, kept in self._beats.items() if all(s.end <= now for s in reversed(kept))]:
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
        self._flashes = [start for start in self._flashes if start >= at - NS_PER_S]
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
            recent = [flash for flash in self._flashes if at - NS_PER_S <= flash <= at]
            if len(recent) >= FLASHES:
                self._recheck = recent[-FLASHES] + NS_PER_S + 1
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
        return any(abs(flash - at) <= SAME_NS for flash in self._flashes)

    def _admit(self, now: int, bright: int) -> bool:
        """Whether one more flash, bright at `bright`, is not the fourth in some second."""
        if self._flashed(bright):
            return True
        begun = [spans for spans in self._beats.values() if spans and spans[0].start <= now]
        hints = [span.start for spans in begun for span in spans if span.kind == HINT and span.start > now]
        times: list[int] = []
        for time in sorted({*self._flashes, *hints, bright}):
            if not times or time - times[-1] > SAME_NS:
                times.append(time)
        for first, fourth in zip(times, times[FLASHES:], strict=False):
            if first <= bright <= fourth <= first + NS_PER_S:
                return False
        self._flashes.append(bright)
        return True


def _until(span: Span, when: int) -> Span:
    """A span that ends at `when` at the latest."""
    return span._replace(end=min(span.end, when))
