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
from .form_position import FormPosition, by_clock, cell, cells, coming_step, step_left
from .state import State

STEADY, PULSE, GAP, HINT = range(4)
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


def beat_spans(plan: Plan, position: FormPosition, timeline: Timeline, latency_ns: int) -> list[Span]:
    """The spans of one beat, later than the notes by the synth's latency."""
    start = timeline.at(position.tick) + latency_ns
    end = timeline.at(position.tick + plan.feel.ticks) + latency_ns
    if position.counting:
        first = _lamp(plan, cell(plan, position).form_chord)
        pulses = _pulses_now(plan, position, timeline)
        beats_left = (
            (position.count_in - position.bar) * plan.feel.beats + plan.feel.beats - position.beat + 1
        )
        enters = start + beats_left * (end - start)
        pulse = [Span(start, start + (end - start) // 2, first, PULSE)] if pulses else []
        return [*pulse, Span(enters, enters, first, HINT)]
    if position.hats and position.drill:
        clean = min(len(COUNTED), position.drill.row + (not position.drill.missed))
        on = start + (plan.feel.beats - position.beat + 1) * (end - start)
        return [*(Span(start, end, lamp, PULSE) for lamp in COUNTED[:clean]), Span(on, on, "", HINT)]
    if position.late and position.before:
        middle = timeline.at(position.tick + position.late) + latency_ns
        before = [
            span._replace(end=min(span.end, middle))
            for span in _spans(plan, position.before, timeline, start, end)
            if span.start < middle
        ]
        return before + [
            span for span in _spans(plan, position, timeline, middle, end) if span.kind == STEADY
        ]
    return _spans(plan, position, timeline, start, end)


def _spans(plan: Plan, position: FormPosition, timeline: Timeline, start: int, end: int) -> list[Span]:
    now = _lamp(plan, cell(plan, position).form_chord)
    spans = [Span(start, end, now, STEADY)]
    if _pulses_now(plan, position, timeline):
        spans.append(Span(start, start + BLIP_NS, "beat", PULSE))
    half = (end - start) // 2
    lamp, kind = _coming(plan, position, timeline)
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
    if position.is_last and position.beat == 1:
        spans.append(Span(start, start + LAST_GAP_NS, ALL, GAP))
    spans += [Span(at, at, now, HINT) for at in (start + n * (end - start) for n in _changes(plan, position))]
    return spans


def _changes(plan: Plan, position: FormPosition) -> list[int]:
    """In how many beats another lamp may light up steadily: the next two changes, or the bar line."""
    here, beats = cell(plan, position), plan.feel.beats
    ahead = []
    if position.drill or position.drill_next or position.again or not by_clock(plan, position):
        ahead.append(beats - position.beat + 1)
    if here.coming_in:
        layout = cells(plan, position)
        at = (position.bar - 1) * beats + position.beat - 1 + here.coming_in
        after = layout[at // beats % len(layout)][at % beats].coming_in
        ahead += [here.coming_in, here.coming_in + after]
    return ahead


def _coming(plan: Plan, position: FormPosition, timeline: Timeline) -> tuple[str, str]:
    """The lamp of what comes and how it shows in this beat: `pulse`, `blip` or not at all."""
    here, beats = cell(plan, position), plan.feel.beats
    if not by_clock(plan, position):
        if position.cue:
            # In the beat of the press the lamp is lit already, as the press's own wink.
            pulses = position.tick >= position.cue.tick and _pulses_now(plan, position, timeline)
            return _lamp(plan, coming_step(plan, position).chord), "pulse" if pulses else ""
        if here.coming_in == 0 or here.coming_in >= step_left(plan, position):
            return _lamp(plan, coming_step(plan, position).chord), "blip" if position.beat == 1 else ""
    loop_ends = position.drill and not position.drill.whole and here.coming_in > beats - position.beat + 1
    if here.coming < 0 or (
        loop_ends and position.drill and position.drill.at == len(position.drill.loop.bars) - 1
    ):
        return "", ""
    lamp = _lamp(plan, here.coming)
    short_bar = beats * timeline.beat_ns < AHEAD_NS
    if here.coming_in <= beats:
        return lamp, "pulse" if _pulses_now(plan, position, timeline) else ""
    early = short_bar and here.coming_in <= 2 * beats and position.beat in (1, 3)
    return lamp, "pulse" if early else ""


def _pulses_now(plan: Plan, position: FormPosition, timeline: Timeline) -> bool:
    return timeline.beat_ns >= CLOSE_BEATS_NS or position.beat % 2 == 1


def _lamp(plan: Plan, chord: int) -> str:
    return plan.chords[chord].degree.lamp


# ---- the answer to a press --------------------------------------------------------------


def press_answer(state: State, action: str, before: FormPosition | None, at: int) -> Span | None:
    """How the lamps answer a press that was accepted at `at`; `before` is where the band was then.

    None: they go out, and that is the answer.
    """
    plan, position, timeline = state.plan, state.position, state.timeline
    if action == "stop":
        return None
    if not position or not timeline or position.counting:
        return Span(at, at + BLIP_NS, _lamp(plan, plan.layout[0][0].form_chord), PULSE)
    if action not in ("cue", "back") or not before:
        return Span(at, at + BLIP_NS, ALL, GAP)
    comes = _lamp(plan, coming_step(plan, position if position.cue else before).chord)
    if comes == _lamp(plan, cell(plan, before).form_chord):
        return Span(at, at + BLIP_NS, comes, GAP)
    until = timeline.at(_pulses_from(plan, position)) + state.settings.latency_ns
    return Span(at, until, comes, PULSE)


def _pulses_from(plan: Plan, position: FormPosition) -> int:
    """The tick until which a cue's own light stays on: where it sounds, or where its pulses begin."""
    if position.late:
        return position.tick + position.late
    beat = position.tick + plan.feel.ticks
    if position.cue and position.cue.late:
        return beat + position.cue.late
    if position.cue and beat < position.cue.tick:
        beat += plan.feel.ticks
    return beat


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
