"""What the lamps show, as a function of the position.

A beat gives *spans*: stretches of time in which a lamp is lit or dark. The kinds:

    STEADY   the truth about what sounds
    PULSE    lit for a while: what comes, a count, a blip
    GAP      dark for a while: a wink, the last time, "the next is this same lamp"
    HINT     shows nothing: a STEADY lamp will light then, so leave it room

A fault shows while the band is stopped, as a pattern that music never makes (`IDLE`), and at any
time on the lamp `ready`: while playing that one is lit if and only if something is wrong.
"""

from collections.abc import Iterable
from typing import NamedTuple

from ..events import NS_PER_MS, NS_PER_S
from ..music.plan import Plan
from ..music.timeline import Timeline
from .form_position import Walk, by_clock, cell, cells, coming_step, step_left

STEADY, PULSE, GAP, HINT = range(4)
LAMPS = ("I", "IV", "V", "other", "beat", "ready")
COUNTED = ("I", "IV", "V")  # as many as repetitions were clean in a row
ALL = "*"  # a gap on every lamp

BLIP_NS = 80 * NS_PER_MS
LAST_GAP_NS = 100 * NS_PER_MS
IDLE_NS = 2 * NS_PER_S
AHEAD_NS = 2 * NS_PER_S
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
        first = _lamp(plan, cell(plan, walk).form_chord)
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
    now = _lamp(plan, cell(plan, walk).form_chord)
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
