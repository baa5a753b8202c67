"""What is played, beat by beat: by the band in strict time for paper, by a Session for files that sound."""

from collections.abc import Callable
from dataclasses import replace
from typing import NamedTuple

from ..events import NS_PER_S, BeatBegan, Command, Send
from ..music.arrange import compose
from ..music.beat import Band, Note
from ..music.plan import Plan
from ..session.actions import START_NS
from ..session.beat_context import look
from ..session.form_position import count_in, next_beat
from ..session.note_queue import quiet_controllers
from ..session.offline import drive
from ..session.session import Session
from ..session.settings import SessionSettings

RING_NS = 2 * NS_PER_S  # for cymbals and room to die away
_SLOWEST = 5  # an ending's last bars may take this much longer: ritard is at most 0.8


class Played(NamedTuple):
    """A beat and its notes. Bars count from 1; `counting` in the count-in. `mbpm` as it is played."""

    tick: int
    chorus: int
    bar: int
    beat: int
    counting: bool
    last: bool
    mbpm: int
    notes: tuple[Note, ...]


def strict_beats(plan: Plan, choruses: int, seed: int = 1) -> list[Played]:
    """Every beat from the count-in to the end of the ending, all in the grid.

    The same position and the same band as a Session's, without its clock.
    """
    played = []
    position = count_in(plan, "through", "change", plan.mbpm)._replace(last=choruses)
    band = Band(seed, strict=True)
    while position:
        mbpm = plan.mbpm * position.pace // 1000
        notes = compose(plan, look(plan, position), band, plan.mbpm / 1000)
        place = position.tick, position.chorus, position.bar, position.beat
        played.append(Played(*place, position.counting, position.is_last, mbpm, tuple(notes)))
        position = next_beat(plan, position)
    return played


class Beat(NamedTuple):
    """A beat of a performance: when it began (ns) and what it is."""

    ns: int
    chorus: int
    bar: int
    beat: int
    chord: str | None


class Performance(NamedTuple):
    """What a Session sent, the first stick at 0, and when its beats began; `end` is when the last is over."""

    plan: Plan
    choruses: int
    sends: list[Send]
    beats: list[Beat]
    end: int


def perform(
    plan: Plan,
    choruses: int,
    settings: SessionSettings,
    seed: int = 1,
    began: Callable[[int], None] = lambda chorus: None,
) -> Performance:
    """Some choruses with count-in and ending, by a Session on a clock that jumps."""
    plan = replace(plan, tune=replace(plan.tune, choruses=choruses))
    session = Session(plan, replace(settings, mode="through"), seed, now=-START_NS)
    bar_ns = plan.feel.beats * 60 * 10**12 // plan.mbpm
    bars = (choruses - 1) * len(plan.layout) + len(plan.last) * _SLOWEST
    longest = bar_ns * (bars + len(plan.layout) + 4) + RING_NS  # with count-in and intro
    sends: list[Send] = []
    beats: list[Beat] = []
    over = 0
    for output in drive(session, [Command(-START_NS, "start")], longest):
        if isinstance(output, Send):
            sends.append(output if output.due >= 0 else output._replace(due=0))
        elif isinstance(output, BeatBegan) and output.due >= 0:
            if not beats or output.chorus > beats[-1].chorus:
                began(output.chorus)
            beats.append(Beat(output.due, output.chorus, output.bar, output.beat, output.chord))
        if beats and session.position is None:
            over = over or output.due
            if output.due > sends[-1].due + NS_PER_S:
                break  # a lamp's blip: it is over, and nothing sounds any more
    return Performance(plan, choruses, [*sends, *quiet_controllers(sends[-1].due + RING_NS)], beats, over)
