"""The foot moves the form: cues, on time and late, and the last time.

A cue belongs to a bar line from anywhere in the bar before it until a little after: learners
stomp *with* the change.

    ...|------------ the bar before ------------|--20 ms--|--150 ms or 1/3 beat--|---
              takes effect on the line             late: at the next subdivision
                                                   that is at least 40 ms away
"""

from ..events import NS_PER_MS, Value
from ..music.grid import slot_ticks
from ..music.timeline import Timeline
from .form_position import Cue, FormPosition, by_clock, cued
from .outcome import Move, Outcome, Refusal
from .state import State, Undo

LATE_NS = 20 * NS_PER_MS  # a cue closer to the bar line than this is late
GRACE_NS = 150 * NS_PER_MS  # and this long after it, or a third of a beat, it still counts
SOON_NS = 40 * NS_PER_MS  # a late cue sounds at least so much later


def line_passed(state: State, before: FormPosition) -> State:
    """The band has come from `before` to another beat: may a cue that comes now still mean its line?"""
    position = state.position
    if not position or position.beat > 1:
        return state
    waited = before.mode == "vamp" and not by_clock(state.plan, before) and not before.cue
    rest_until = state.rest_until
    if before.cue:
        rest_until = position.tick + position.late + state.plan.feel.ticks
    return state._replace(waited=waited, rest_until=rest_until)


def cue(state: State, at: int, _: Value = None) -> Outcome:
    """Go on at the bar line; close before it or just after it, as soon as one can."""
    return _cue(state, at, back=False)


def back(state: State, at: int, _: Value = None) -> Outcome:
    """To the step before this one, on the next bar line."""
    return _cue(state, at, back=True)


def _cue(state: State, at: int, back: bool) -> Outcome:
    plan, position, timeline = state.plan, state.position, state.timeline
    if not position or not timeline:
        return Refusal("not playing")
    if by_clock(plan, position):
        return Refusal("the form moves by itself")
    if timeline.tick_at(at) < state.rest_until:
        return Refusal("the change has just come")
    if position.cue:
        return Refusal("already cued")
    feel = plan.feel
    line = position.tick + (feel.beats - position.beat + 1) * feel.ticks
    if _within_grace(timeline, at, position) and state.waited and not back:
        late = _late_tick(state, timeline, at, position.tick)
        sounds = position.tick + late
        moved = cued(plan, position, position.tick)._replace(late=late, before=position, hit=False)
        undo = Undo((("position", position), ("rest_until", 0)), until=sounds)
        there = state._replace(position=moved, waited=False, rest_until=sounds + feel.ticks)
        return Move(there, cut=sounds, undo=undo)
    to_line = timeline.at(line) - at
    late = _late_tick(state, timeline, at, line) if to_line < LATE_NS else 0
    fill = 0 if back or late else min(2, to_line // timeline.beat_ns)
    armed = Cue(timeline.tick_at(state.frozen_until(at)), fill, late, back)
    there = state._replace(position=position._replace(cue=armed))
    return Move(there, cut=line + late, undo=Undo((("position.cue", None),), until=line))


def last(state: State, at: int, _: Value = None) -> Outcome:
    """Arm the ending for this chorus, or the next if this one is past it; again: withdraw."""
    plan, position, timeline = state.plan, state.position, state.timeline
    if not position or not timeline:
        return Refusal("not playing")
    if position.drill:
        return Refusal("a drill has no last time")
    in_ending = position.is_last and position.bar >= plan.ending_bar
    if position.last >= max(position.chorus, 1) and not in_ending:
        return Move(state._replace(position=position._replace(last=0, late_last=0)))
    if in_ending:
        return Refusal("the ending is on")
    if position.counting or position.bar < plan.ending_bar:
        return _arm_last(state, timeline, position, at, max(position.chorus, 1))
    if position.bar == plan.ending_bar and _within_grace(timeline, at, position):
        late = _late_tick(state, timeline, at, position.tick)
        moved = position._replace(last=position.chorus, cue=None, late=late, before=position)
        return Move(state._replace(position=moved), cut=position.tick + late)
    return _arm_last(state, timeline, position, at, position.chorus + 1)


def _arm_last(state: State, timeline: Timeline, position: FormPosition, at: int, chorus: int) -> Move:
    plan = state.plan
    line = position.tick + plan.feel.ticks
    ending_next = position.bar + 1 == plan.ending_bar and chorus == position.chorus
    at_line = position.beat == plan.feel.beats and ending_next
    late = _late_tick(state, timeline, at, line) if at_line and timeline.at(line) - at < LATE_NS else 0
    return Move(state._replace(position=position._replace(last=chorus, late_last=late)))


def _within_grace(timeline: Timeline, at: int, position: FormPosition) -> bool:
    grace = min(timeline.beat_ns // 3, GRACE_NS)
    return position.beat == 1 and at - timeline.at(position.tick) <= grace


def _late_tick(state: State, timeline: Timeline, at: int, beat_tick: int) -> int:
    """Ticks into the beat of the next subdivision at least SOON_NS after `at`."""
    feel = state.plan.feel
    swing = feel.swing_at(timeline.mbpm / 1000)
    for slots in (3 if swing > 1.2 or feel.meter[1] == 8 else 2, 4):
        for tick in slot_ticks(slots, feel.ticks, swing)[1:]:
            if timeline.at(beat_tick + tick) >= at + SOON_NS:
                return tick
    raise AssertionError("the grace is shorter than three quarters of any beat")
