"""Where the band is, in words: for the flight recorder, the status line and the control socket."""

from typing import NamedTuple

from ..events import BeatBegan, DrillProgress
from ..music.degrees import Chord
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
    drill: DrillProgress | None = None


def position_of(plan: Plan, walk: Walk | None, mbpm: int) -> Position:
    """The position as a value."""
    if walk is None:
        return Position("stopped", mbpm)
    return Position(state_of(plan, walk), mbpm, *beat_began(0, plan, walk)[1:])


def state_of(plan: Plan, walk: Walk) -> str:
    """`counting`, `playing` or `ending`."""
    if walk.counting:
        return "counting"
    return "ending" if walk.is_last and walk.bar >= plan.ending_bar else "playing"


def beat_began(due: int, plan: Plan, walk: Walk) -> BeatBegan:
    """What there is to say of a beat as it begins."""
    here = cell(plan, walk)
    now: Chord | None = plan.chords[here.form_chord]
    coming = plan.chords[here.coming] if here.coming >= 0 else None
    if walk.counting:
        now, coming = None, now
    elif walk.hats and walk.drill:
        now, coming = None, plan.chords[plan.layout[walk.drill.loop.bars[0] - 1][0].form_chord]
    elif not by_clock(plan, walk):
        clock_change_first = 0 < here.coming_in < step_left(plan, walk)
        if walk.cue or not clock_change_first:
            coming = plan.chords[coming_step(plan, walk).chord]
    return BeatBegan(
        due,
        walk.mode,
        walk.chorus,
        walk.bar,
        walk.beat,
        str(now.degree) if now else None,
        now.symbol if now else None,
        str(coming.degree) if coming else None,
        coming.symbol if coming else None,
        _armed(walk),
        _progress(walk),
    )


def _armed(walk: Walk) -> tuple[str, ...]:
    armed = ["cue"] if walk.cue else []
    if walk.last and walk.last == max(walk.chorus, 1):
        armed.append("last")
    if walk.drill_next and not walk.is_last:  # (the ending comes first)
        armed.append("drill")
    return tuple(armed)


def _progress(walk: Walk) -> DrillProgress | None:
    if not (drill := walk.drill):
        return None
    return DrillProgress(
        drill.loop.change,
        drill.repetition,
        drill.row,
        drill.missed,
        drill.pace,
        walk.hats,
        drill.whole > 0,
    )
