"""Where the band is, in words: for the flight recorder, the status line and the control socket."""

from collections.abc import Mapping
from typing import Any, NamedTuple

from ..music.plan import Plan
from .form_position import Walk, by_clock, cell, coming_step, step_left


class Position(NamedTuple):
    """`state` is stopped, counting, playing or ending; `mbpm` are milli-beats a minute.

    Degree and chord are None in the count-in, in a drill's hi-hat bar and when stopped, the
    next ones also in an ending's last bars. `drill` tells how a drill goes.
    """

    state: str
    mbpm: int
    mode: str = ""
    chorus: int = 0
    bar: int = 0
    beat: int = 0
    degree: str | None = None
    chord: str | None = None
    next_degree: str | None = None
    next_chord: str | None = None
    armed: tuple[str, ...] = ()
    drill: Mapping[str, Any] | None = None


def position_of(plan: Plan, walk: Walk | None, mbpm: int) -> Position:
    """The position as a value."""
    if walk is None:
        return Position("stopped", mbpm)
    fields = describe(plan, walk)
    return Position(state_of(plan, walk), mbpm, **{**fields, "armed": tuple(fields["armed"])})


def state_of(plan: Plan, walk: Walk) -> str:
    """`counting`, `playing` or `ending`."""
    if walk.counting:
        return "counting"
    return "ending" if walk.is_last and walk.bar >= plan.ending_bar else "playing"


def describe(plan: Plan, walk: Walk) -> dict[str, Any]:
    """The fields of a `position` line."""
    here = cell(plan, walk)
    now = plan.chords[here.place]
    coming = plan.chords[here.coming] if here.coming >= 0 else None
    if walk.counting:
        now, coming = None, now
    elif walk.hats and walk.drill:
        now, coming = None, plan.chords[plan.layout[walk.drill.loop.bars[0] - 1][0].place]
    elif not by_clock(plan, walk):
        clock_change_first = 0 < here.coming_in < step_left(plan, walk)
        if walk.cue or not clock_change_first:
            coming = plan.chords[coming_step(plan, walk).chord]
    armed = ["cue"] if walk.cue else []
    if walk.last and walk.last == max(walk.chorus, 1):
        armed.append("last")
    if walk.drill_next and not walk.is_last:  # (the ending comes first)
        armed.append("drill")
    fields = {
        "mode": walk.mode,
        "chorus": walk.chorus,
        "bar": walk.bar,
        "beat": walk.beat,
        "degree": str(now.degree) if now else None,
        "chord": now.symbol if now else None,
        "next_degree": str(coming.degree) if coming else None,
        "next_chord": coming.symbol if coming else None,
        "armed": armed,
    }
    if walk.drill:
        fields["drill"] = {
            "change": walk.drill.loop.change,
            "repetition": walk.drill.repetition,
            "row": walk.drill.row,
            "missed": walk.drill.missed,
            "pace": walk.drill.pace,
            "hats": walk.hats,
            "whole": walk.drill.whole > 0,
        }
    return fields
