"""Practising: flagging changes, and leading a drill by foot (what a drill does is in `drill`)."""

from dataclasses import replace

from ..events import TemposKnown, Value
from ..music.plan import Plan
from . import drill as drilling
from .drill import Drill, Loop
from .form_position import FormPosition, count_in, leave_drill
from .gestures import DOUBLE_NS
from .outcome import Move, Outcome, Refusal
from .state import State, Undo


def flag(state: State, at: int, _: Value = None) -> Outcome:
    """Note this change; practising alone, drill it from the next phrase on."""
    position, timeline = state.position, state.timeline
    if not position or not timeline or position.chorus == 0 or position.is_last:
        return Refusal("nothing to flag here")
    loop = drilling.flagged(state.plan, drilling.loops_of(state.plan), position.bar, position.beat)
    flags = ("flags", state.flags)
    if state.settings.use == "band":
        return Move(state._replace(flags=(*state.flags, loop)), undo=Undo((flags,)))
    waiting = position.drill_next
    undo = Undo((flags, ("position.drill_next", waiting)))
    if waiting:
        left = tuple(flag for flag in state.flags if flag not in waiting.loops)
        there = position._replace(drill_next=None)
        return Move(state._replace(flags=left, position=there), undo=undo)
    # Not while this tap may still turn out to be half of a double.
    sure = timeline.tick_at(at + DOUBLE_NS)
    drill = replace(_drill_of(state, (loop,), came_through=True), not_before=sure)
    there = position._replace(drill_next=drill)
    return Move(state._replace(flags=(*state.flags, loop), position=there), undo=undo)


def know(state: State, said: TemposKnown) -> State:
    """What the log says of the changes of a tune in a key."""
    return state._replace(clean={**state.clean, (said.tune, said.key): said.mbpm})


def first_position(state: State) -> FormPosition | None:
    """The count-in to a drill of the flagged changes, else of all; None if the form has no change."""
    known = drilling.loops_of(state.plan)  # a flag may be of another tune of the set
    loops = tuple(flag for flag in dict.fromkeys(state.flags) if flag in known)
    loops = loops or _hardest_first(state.plan)
    entry = state.setlist.entry
    if entry and entry.hardest:
        loops = loops[: entry.hardest]
    if not loops:
        return None
    drill = _drill_of(state, loops, came_through=False)
    first = count_in(state.plan, "drill", state.settings.step, state.mbpm * drill.pace // 1000)
    return first._replace(drill=drill, pace=drill.pace)


def _drill_of(state: State, loops: tuple[Loop, ...], came_through: bool) -> Drill:
    clean = state.clean.get((state.plan.tune.name, str(state.plan.key)), {})
    logged = {bar: mbpm * drilling.CEILING // state.mbpm for bar, mbpm in clean.items()}
    return drilling.begin(loops, logged, came_through, state.settings.mark == "clean")


def _hardest_first(plan: Plan) -> tuple[Loop, ...]:
    """All loops in the order of what their hardest change costs the hand."""
    cost = {change.bar: rank for rank, change in enumerate(plan.neck.transitions)}
    loops = drilling.loops_of(plan)
    return tuple(sorted(loops, key=lambda loop: min(cost.get(bar, len(cost)) for bar in loop.bars[1:-1])))


def missed(state: State, at: int, _: Value = None) -> Outcome:
    """This repetition was not clean (or, if the foot marks the clean ones, it was)."""
    position = state.position
    if not position or not position.drill:
        return Refusal("no drill")
    if not position.drill.markable or position.counting:
        return Refusal("no change has come yet")
    marked = drilling.mark(position.drill)
    if marked == position.drill:
        return Move(state, undo=Undo(()))  # what an earlier tap has said stays said
    undo = Undo((("position.drill.missed", position.drill.missed),))
    return Move(state._replace(position=position._replace(drill=marked)), undo=undo)


def onward(state: State, at: int, _: Value = None) -> Outcome:
    """The next transition, from the next bar line on."""
    position = state.position
    if not position or not position.drill or position.counting:
        return Refusal("no drill")
    there = position._replace(drill=replace(position.drill, skip=True))
    return Move(state._replace(position=there))


def leave(state: State, at: int, _: Value = None) -> Outcome:
    """Back to the form, if the drill was entered from there; else stop."""
    position = state.position
    if not position:
        return Refusal("already stopped")
    if not position.drill or position.counting or not position.drill.came_through:
        return Move(state, halt=True)
    return Move(state._replace(position=leave_drill(state.plan, position)))
