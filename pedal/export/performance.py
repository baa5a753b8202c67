"""What is played, beat by beat: by the band in strict time for paper, by a Session for files that sound."""

from collections.abc import Callable, Iterable, Iterator
from dataclasses import replace
from typing import NamedTuple

from ..events import NS_PER_S, BeatBegan, Command, Output, Send, Stopped
from ..music.arrange import compose
from ..music.beat import Band, Note
from ..music.plan import Plan
from ..session.actions import START_NS
from ..session.beat_context import look
from ..session.form_position import FormPosition, count_in
from ..session.next_beat import next_beat
from ..session.note_queue import quiet_controllers
from ..session.offline import drive
from ..session.session import Session
from ..session.settings import SessionSettings

_RING_NS = 2 * NS_PER_S  # for cymbals and room to die away
_SLOWEST = 5  # an ending's last bars may take this much longer: ritard is at most 0.8


class StrictBeat(NamedTuple):
    """A beat in the grid and its notes, in ticks from the first stick. Bars count from 1.

    `counting` in the count-in, `last` in the chorus with the ending. `mbpm`: milli-beats a minute,
    as it is played.
    """

    tick: int
    chorus: int
    bar: int
    beat: int
    counting: bool
    last: bool
    mbpm: int
    notes: tuple[Note, ...]


def strict_beats(plan: Plan, choruses: int, seed: int = 1) -> list[StrictBeat]:
    """Every beat from the count-in to the end of the ending, all in the grid.

    The same position and the same band as a Session's, without its clock.
    """
    played = []
    first = count_in(plan, "through", "change", plan.mbpm)
    position: FormPosition | None = first._replace(last=choruses)
    band = Band(seed, strict=True)
    while position:
        mbpm = plan.mbpm * position.pace // 1000
        notes = compose(plan, look(plan, position), band, plan.mbpm / 1000)
        when = position.tick, position.chorus, position.bar, position.beat
        played.append(StrictBeat(*when, position.counting, position.is_last, mbpm, tuple(notes)))
        position = next_beat(plan, position)
    return played


class PlayedBeat(NamedTuple):
    """A beat as it was played: when it began (ns) and what it is.

    Bars count from 1; bar 0 is silence. The count-in (`counting`) and an intro are chorus 0.
    `last` in the chorus with the ending.
    """

    ns: int
    chorus: int
    bar: int
    beat: int
    counting: bool = False
    last: bool = False


class Performance(NamedTuple):
    """What a Session sent (none before 0 ns), and its beats in order; `end` (ns) is when the last is over.

    The first beat begins at 0, and each lasts until the next.
    """

    plan: Plan
    sends: tuple[Send, ...]
    beats: tuple[PlayedBeat, ...]
    end: int


def performance_of(plan: Plan, outputs: Iterable[Output]) -> Performance:
    """The performance that outputs of a Session are, all of them of one plan. ValueError if it never plays.

    While the band is silent, before it and between, beats go on: whole bars, so that what comes
    begins on a bar line, as near to the tempo as that can be.
    """
    sends: list[Send] = []
    beats: list[PlayedBeat] = []
    silent: int | None = 0  # since when
    for output in outputs:
        if isinstance(output, Send):
            sends.append(output if output.due >= 0 else output._replace(due=0))
        elif beat := _beat_of(output):
            if silent is not None:
                beats += _silence(plan, silent, beat.ns)
                silent = None
            elif beats[-1].beat == beat.beat:
                # A late cue: this beat has become another one a moment after it began.
                beat = beat._replace(ns=beats.pop().ns)
            beats.append(beat)
        elif isinstance(output, Stopped) and silent is None:
            silent = output.due
    if not beats:
        raise ValueError("nothing is played")
    end = silent if silent is not None else beats[-1].ns + _beat_ns(plan)
    return Performance(plan, tuple(sends), tuple(beats), end)


def perform(
    plan: Plan,
    choruses: int,
    settings: SessionSettings,
    seed: int = 1,
    began: Callable[[int], None] = lambda chorus: None,
) -> Performance:
    """Some choruses with count-in and ending, by a Session on a clock that jumps.

    The first stick falls at 0; what sets up the synth is due then too. Two seconds after the last
    note come the controllers that silence everything. `began` is told each chorus as it begins.
    """
    plan = replace(plan, tune=replace(plan.tune, choruses=choruses))
    session = Session(plan, replace(settings, mode="through"), seed, now=-START_NS)
    bars = (choruses - 1) * len(plan.layout) + len(plan.last) * _SLOWEST
    bars += len(plan.layout) + 4  # with count-in and intro
    longest = plan.feel.beats * _beat_ns(plan) * bars + _RING_NS
    outputs = drive(session, [Command(-START_NS, "start")], longest)
    played = performance_of(plan, _to_the_end(outputs, began))
    silence = quiet_controllers(played.sends[-1].due + _RING_NS)
    return played._replace(sends=(*played.sends, *silence))


def _to_the_end(outputs: Iterable[Output], began: Callable[[int], None]) -> Iterator[Output]:
    """The outputs until the band has stopped and only lamps still blink."""
    chorus = sent = 0
    over = False
    for output in outputs:
        if isinstance(output, Send):
            sent = output.due
        elif (beat := _beat_of(output)) and beat.chorus > chorus:
            chorus = beat.chorus
            began(chorus)
        over = over or isinstance(output, Stopped)
        if over and output.due > sent + NS_PER_S:
            return
        yield output


def _beat_of(output: Output) -> PlayedBeat | None:
    """The beat that an output says has begun, if it does."""
    if not isinstance(output, BeatBegan):
        return None
    last = output.chorus > 0 and "last" in output.armed
    return PlayedBeat(output.due, output.chorus, output.bar, output.beat, output.chord is None, last)


def _silence(plan: Plan, start: int, end: int) -> list[PlayedBeat]:
    """Beats from one moment to another (ns), of equal length."""
    bars = max(1, round((end - start) / (plan.feel.beats * _beat_ns(plan)))) if end > start else 0
    count = bars * plan.feel.beats
    return [
        PlayedBeat(start + (end - start) * index // count, 0, 0, index % plan.feel.beats + 1)
        for index in range(count)
    ]


def _beat_ns(plan: Plan) -> int:
    return 60 * 10**12 // plan.mbpm
