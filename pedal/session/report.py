"""Where the band is, in words: for the flight recorder, the status line and the control socket."""

from typing import NamedTuple

from ..events import BeatBegan, DrillProgress
from ..music.degrees import Chord
from ..music.plan import Plan
from .form_position import FormPosition, by_clock, cell, coming_step, step_left
from .state import STOPPED, State


class Report(NamedTuple):
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


def report_of(state: State) -> Report:
    """Where the band is now."""
    mbpm = state.timeline.mbpm if state.timeline else state.mbpm
    if state.position is None:
        return Report(state.phase, mbpm)
    return Report(state.phase, mbpm, *beat_began(0, state.plan, state.position)[1:])


def where(chorus: int, bar: int, beat: int) -> str:
    """A beat's place in the form, in words; what comes before chorus 1 is the count-in, or an intro."""
    return f"chorus {chorus}, bar {bar}.{beat}" if chorus else "count-in"


def line_of(report: Report) -> str:
    """Where the band is, what sounds, what comes and what is armed, in a line."""
    if report.state == STOPPED:
        return "stopped, ready"
    now = f"{report.degree} {report.chord}" if report.chord else ""
    place = where(report.chorus, report.bar, report.beat)
    if drill := report.drill:
        place = f"drill of bar {drill.change}, repetition {drill.repetition}, bar {report.bar}.{report.beat}"
        now = "time alone" if drill.hats else now or "count-in"
    comes = f", then {report.next_degree} {report.next_chord}" if report.next_chord else ""
    armed = "".join(f" [{what}]" for what in report.armed)
    return f"{place}{': ' if now else ''}{now}{comes}{armed}"


def beat_began(due: int, plan: Plan, position: FormPosition) -> BeatBegan:
    """What there is to say of a beat as it begins."""
    here = cell(plan, position)
    now: Chord | None = plan.chords[here.form_chord]
    coming = plan.chords[here.coming] if here.coming >= 0 else None
    if position.counting:
        now, coming = None, now
    elif position.hats and position.drill:
        now, coming = None, plan.chords[plan.layout[position.drill.loop.bars[0] - 1][0].form_chord]
    elif not by_clock(plan, position):
        clock_change_first = 0 < here.coming_in < step_left(plan, position)
        if position.cue or not clock_change_first:
            coming = plan.chords[coming_step(plan, position).chord]
    return BeatBegan(
        due,
        position.mode,
        position.chorus,
        position.bar,
        position.beat,
        str(now.degree) if now else None,
        now.symbol if now else None,
        str(coming.degree) if coming else None,
        coming.symbol if coming else None,
        _armed(position),
        _progress(position),
    )


def _armed(position: FormPosition) -> tuple[str, ...]:
    armed = ["cue"] if position.cue else []
    if position.last and position.last == max(position.chorus, 1):
        armed.append("last")
    if position.drill_next and not position.is_last:  # (the ending comes first)
        armed.append("drill")
    return tuple(armed)


def _progress(position: FormPosition) -> DrillProgress | None:
    if not (drill := position.drill):
        return None
    return DrillProgress(
        drill.loop.change,
        drill.repetition,
        drill.row,
        drill.missed,
        drill.pace,
        position.hats,
        drill.whole > 0,
    )
