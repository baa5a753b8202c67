"""What an action comes to: a Move or a Refusal. Whoever runs the Session carries it out."""

from dataclasses import is_dataclass, replace
from typing import Any, NamedTuple

from ..events import PlanWanted
from .form_position import FormPosition
from .state import State, Undo


class Refusal(NamedTuple):
    """Why an action was ignored, in words. `state`, if what had been gathered is forgotten by it."""

    reason: str
    state: State | None = None


class Start(NamedTuple):
    """Play from `position`, whose beat falls at `at` (ns); `mbpm` is the full tempo."""

    at: int
    mbpm: int
    position: FormPosition


class Move(NamedTuple):
    """The new state, and what must happen for it to become true.

    Where it has another position, or another band plays it, what is unsent is composed anew; `cut` is a
    tick after which no chord or bass note that has begun sounds on. `full_mbpm` is another tempo from now
    on. `halt`: silence. `start`: play. `wanted`: a plan to be made. `undo` takes all of it back.
    """

    state: State
    cut: int | None = None
    full_mbpm: int | None = None
    halt: bool = False
    start: Start | None = None
    wanted: PlanWanted | None = None
    undo: Undo | None = None


Outcome = Move | Refusal


def put_back(state: State, undo: Undo, at: int) -> Move:
    """The Move that takes back what a tap did; nothing, if it is too late or the music is over."""
    timeline = state.timeline
    if undo.until is not None and not (timeline and timeline.at(undo.until) > state.frozen_until(at)):
        return Move(state)
    before, full_mbpm = state, None
    for path, value in undo.fields:
        if path == "full_mbpm" and isinstance(value, int):
            full_mbpm = value
        elif before.position or not path.startswith("position"):
            state = _with(state, path.split("."), value)
    wanted = None
    if any(path == "wanted_key" for path, _ in undo.fields):  # a plan may have come in between
        wanted = PlanWanted(at, state.plan.tune.name, str(state.wanted_key), state.mbpm)
    if state.position == before.position:
        state = state._replace(position=before.position)  # nothing to compose anew
    return Move(state, full_mbpm=full_mbpm, wanted=wanted)


def _with(thing: Any, path: list[str], value: object) -> Any:
    """A frozen value with one field, of one of its fields, … replaced. What is not there stays so."""
    name, *deeper = path
    if deeper:
        inner = getattr(thing, name)
        if inner is None:
            return thing
        value = _with(inner, deeper, value)
    if is_dataclass(thing) and not isinstance(thing, type):
        return replace(thing, **{name: value})
    return thing._replace(**{name: value})
