"""Which steps of a figure or line are due in a beat, whose they are, and a chorus of them in order."""

from collections.abc import Sequence
from typing import NamedTuple

from .degrees import Chord
from .layout import Cell, Layout
from .lines import Figure, Tail, Timed, timed
from .pickups import Bend, Bends, Bent, bend_for

TONIC = -1  # in place of a chord: the step belongs to a turnaround's or ending's line
DEAD_TICKS = 60  # a dead note is a click, whatever its written length


class Due(NamedTuple):
    """A step and the chord (index) it belongs to; TONIC in a turnaround or ending.

    Where the chord's own third, fifth or seventh is asked for, `own_tone` is still to be added.
    """

    step: Timed
    chord: int


class LineNote(NamedTuple):
    """A bass note of a chorus: where it stands, its step, whose it is.

    `tick` and `end` count from the start of the chorus, as written. `place` is how far into its
    beat it stands, in slots: (1, 2) is the second of two.
    """

    bar: int
    beat: int
    tick: int
    end: int
    chord: int
    semitones: int
    dead: bool
    pickup: bool
    place: tuple[int, int]

    @property
    def let_go(self) -> int:
        """The tick from which the hand may leave it: halfway, or after a dead note's click."""
        return self.tick + (DEAD_TICKS if self.dead else (self.end - self.tick) // 2)


def figure_steps(
    figure: Figure,
    ticks: int,
    swing: float,
    beats_in: int,
    beats_left: int | None,
    stays: int,
    onto: int | None,
) -> list[Due]:
    """The figure's steps in the beat that is `beats_in` beats into a chord and `beats_left` before its end.

    `stays` is the chord that sounds, `onto` the one its last pickup leads to. `beats_left` is
    None while nobody knows when the chord will change.
    """
    beats = timed(figure.line, ticks, swing)
    then = stays if onto is None else onto

    def due(steps: Sequence[Timed], coming: int) -> list[Due]:
        return [Due(step, coming if step.pickup else stays) for step in steps]

    if beats_left is None:
        return due(in_beat(beats, beats_in % figure.beats), stays)
    total = beats_in + beats_left
    if total == 1:
        return [Due(Timed(0, ticks, 0, False, False), stays)]
    rest = total % figure.beats
    if rest and rest <= figure.pickup_beats and total > figure.beats:
        rest += figure.beats  # the rest alone has no room for a head
    phase = beats_in - (total - rest)
    if rest and phase >= 0:
        # What the figure does not fill keeps its head and its pickup, which is anchored to the end.
        pickup_at = max(1, rest - figure.pickup_beats)
        if phase >= pickup_at:
            return due(
                [step for step in in_beat(beats, phase - rest + figure.beats) if step.pickup],
                then,
            )
        head = max(1, figure.beats - figure.pickup_beats)
        free = (pickup_at - phase) * ticks
        steps = [step for step in in_beat(beats, phase % head) if not step.pickup]
        return due([step._replace(end=min(step.end, free)) for step in steps], then)
    ends = not rest and beats_in >= total - figure.beats
    return due(in_beat(beats, beats_in % figure.beats), then if ends else stays)


def bent(dues: Sequence[Due], figure: Figure, stays: int, bend: Bend | None) -> list[Due]:
    """The same steps with another pickup into the coming chord than the written one."""
    if bend is None:
        return list(dues)
    first = len(figure.line) - len(bend)  # pickups come last
    changed = []
    for due in dues:
        if due.step.pickup and due.chord != stays:
            way = bend[due.step.index - first]
            step = due.step._replace(semitones=way.semitones, dead=way.dead, own=way.own)
            due = Due(step, due.chord if way.coming else stays)
        changed.append(due)
    return changed


def in_beat(beats: Sequence[tuple[Timed, ...]], index: int) -> tuple[Timed, ...]:
    """The steps of a beat, none outside the line."""
    return beats[index] if 0 <= index < len(beats) else ()


def own_tone(chords: Sequence[Chord], chord: int, step: Timed | Bent) -> int:
    """Semitones that the chord's own third, fifth or seventh lies off that of a plain 7."""
    return chords[chord].degree.own(step.own) if step.own and chord != TONIC else 0


def lands_in(bar: int, beat: int, beats_left: int, beats: int, bars: int) -> int:
    """The bar that a chord change `beats_left` beats from a beat falls in, 1 after the last."""
    return ((bar - 1) * beats + beat - 1 + beats_left) // beats % bars + 1


def chorus_notes(
    layout: Layout,
    chords: Sequence[Chord],
    figure: Figure,
    tail: Tail | None,
    ticks: int,
    swing: float,
    bends: Bends | None = None,
) -> list[LineNote]:
    """Every bass note of a chorus that goes by the clock, in order."""
    notes: list[LineNote] = []
    for bar, cells in enumerate(layout, 1):
        for beat, cell in enumerate(cells, 1):
            start = ((bar - 1) * len(cells) + beat - 1) * ticks
            line = tail.line if tail and cell.tail_beat >= tail.lead else figure.line
            where = bar, beat, len(cells), len(layout)
            for step, chord in _due(cell, figure, tail, ticks, swing, where, bends or {}):
                written = line[step.index]
                notes.append(
                    LineNote(
                        bar=bar,
                        beat=beat,
                        tick=start + step.tick,
                        end=start + step.end,
                        chord=chord,
                        semitones=step.semitones + own_tone(chords, chord, step),
                        dead=step.dead,
                        pickup=step.pickup,
                        place=(written.slot, written.slots) if step.tick else (0, 1),
                    )
                )
    return notes


def _due(
    cell: Cell,
    figure: Figure,
    tail: Tail | None,
    ticks: int,
    swing: float,
    where: tuple[int, int, int, int],
    bends: Bends,
) -> list[Due]:
    if tail and cell.tail_beat >= tail.lead:
        return [Due(step, TONIC) for step in in_beat(timed(tail.line, ticks, swing), cell.tail_beat)]
    stays = cell.sounding[0].chord
    onto = cell.then.chord if cell.then else None
    dues = figure_steps(figure, ticks, swing, cell.beats_in, cell.beats_left, stays, onto)
    bar, beat, beats, bars = where
    lands = lands_in(bar, beat, cell.beats_left, beats, bars)
    return bent(dues, figure, stays, bend_for(bends, lands, stays, onto))
