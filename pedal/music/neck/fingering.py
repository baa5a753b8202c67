"""The cheapest way to play a line on the neck, octaves of the chords included. Exact.

A line is notes in order, each a number of semitones above a *home*: the root of a chord, or the
tonic. A home has a few octaves to choose from and keeps the one chosen all through the line.
The line is played over and over, so a way to play it is a closed path through the stands
(`hand.Stand`) of its notes, the move from the last note back to the first included.

How: with octaves and the first stand settled, the cheapest path is dynamic programming, note
by note from the end (shortest path in a layered graph: Sayegh, Computer Music Journal 13(3),
1989). What is not settled is searched, branch and bound:

* The octaves are branched on from the end of the line, where a home is first met. A branch is
  left when its cost so far plus a bound on the rest is more than the best line known. The bound
  is the cheapest path to that stand from the start when every run of notes on one home may
  have an octave of its own, and the start may be any stand of the first note.
* At the end of a branch each first stand has a bound already (the path that need not close
  there), and stands are tried while it is no more than the best line known.

So nothing is lost, and the time is linear in the notes: a table a pair of neighbours, nearly
all of them seen before, as figures repeat. It may double with every further home at worst; a
twelve-bar of eight chords takes tens of milliseconds, one of fourteen at random up to a second.

Ties: lower homes first, in the order in which the line meets them; then the way whose first
differing note has the lower fret, then the lower hand, then the higher string.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from itertools import pairwise
from operator import add
from typing import NamedTuple

from .effort import NEVER, Gap, Rows, Stand, move_rows, stands
from .fingerboard import Instrument


class Tone(NamedTuple):
    """A note of a line: the home it counts from, semitones above it, and the time to the next."""

    home: int
    semitones: int
    gap: Gap


class Line(NamedTuple):
    """A line on the neck: the octave of each home (MIDI key), how each note is played, the cost."""

    homes: dict[int, int]
    path: tuple[Stand, ...]
    cost: int


Costs = list[int]  # of going on from each stand of a note, or of coming to it


def cheapest_cycle(tones: Sequence[Tone], homes: Mapping[int, Sequence[int]], instrument: Instrument) -> Line:
    """The cheapest closed path. `homes` are the octaves (MIDI keys) each home may have.

    Every note must have a place in every octave (`Instrument.nearest` is applied to each).
    ValueError if there are no notes.
    """
    if not tones:
        raise ValueError("a line without notes has no fingering")
    search = _Search(tones, homes, instrument)
    first = tones[0].home
    starts = []
    for octave in homes[first]:
        before = search.bounds({first: octave})
        closing = search.closing_bound(before, {first: octave})
        starts.append((closing, octave, before))
    for bound, octave, before in sorted(starts, key=lambda start: start[:2]):
        if bound <= search.best[0]:
            nothing = [0] * len(search.stands(0, octave))
            search.descend(len(tones), nothing, {first: octave}, before)
    cost, _, _, settled = search.best
    return Line(settled, search.path(settled, search.best[2]), cost)


def cheapest_path(
    keys: Sequence[int],
    gaps: Sequence[Gap],
    instrument: Instrument,
    start: Stand | None = None,
    end: Stand | None = None,
) -> tuple[int, tuple[Stand, ...]]:
    """The cheapest open path of given MIDI keys, one gap less than keys: its cost and its stands.

    With a `start` it begins there. Without, what the first stand itself costs is not counted.
    The same for an `end`, whose own cost counts. Ties as in `cheapest_cycle`.
    """
    layers = [stands(instrument, key) for key in keys]
    after = [0 if end in (None, stand) else NEVER for stand in layers[-1]]
    tables = [move_rows(instrument, *keys[i : i + 2], gap) for i, gap in enumerate(gaps)]
    going = _backward(tables, after)
    first = layers[0].index(start) if start else going[0].index(min(going[0]))
    return going[0][first], _follow(layers, tables, going, first)


def _backward(tables: Sequence[Rows], after: Costs) -> list[Costs]:
    """What it costs to go on from every stand of every note, given it for the last note."""
    going = [after]
    for rows in reversed(tables):
        after = [min(map(add, row, after)) for row in rows]
        going.append(after)
    return going[::-1]


def _follow(
    layers: Sequence[tuple[Stand, ...]], tables: Sequence[Rows], going: Sequence[Costs], at: int
) -> tuple[Stand, ...]:
    """The cheapest path from a stand of the first note; of equal ways the first in order."""
    path = [layers[0][at]]
    for layer, rows, after in zip(layers[1:], tables, going[1:], strict=False):
        costs = list(map(add, rows[at], after))
        at = costs.index(min(costs))
        path.append(layer[at])
    return tuple(path)


@dataclass
class _Search:
    """One search. `best` is the cheapest line known: cost, octaves in order, first stand, octaves."""

    tones: Sequence[Tone]
    homes: Mapping[int, Sequence[int]]
    instrument: Instrument
    best: tuple[int, tuple[int, ...], int, dict[int, int]] = (NEVER, (), 0, {})
    _rows: dict[tuple[int, int, Gap], tuple[Rows, Rows]] = field(default_factory=dict)

    def key(self, index: int, octave: int) -> int:
        return self.instrument.nearest(octave + self.tones[index].semitones)

    def stands(self, index: int, octave: int) -> tuple[Stand, ...]:
        return stands(self.instrument, self.key(index, octave))

    def tables(self, index: int, octave: int, following: int) -> tuple[Rows, Rows]:
        """Moves from a note to the one after it (the last one: to the first), rows and columns."""
        key = self.key(index, octave)
        onto = self.key((index + 1) % len(self.tones), following)
        gap = self.tones[index].gap
        known = self._rows.get((key, onto, gap))
        if known is None:
            rows = move_rows(self.instrument, key, onto, gap)
            known = self._rows[key, onto, gap] = rows, tuple(zip(*rows, strict=True))
        return known

    def octaves(self, index: int, settled: Mapping[int, int]) -> Sequence[int]:
        home = self.tones[index].home
        return (settled[home],) if home in settled else self.homes[home]

    def bounds(self, settled: Mapping[int, int]) -> list[dict[int, Costs]]:
        """By note and octave, what it costs at least to come to each stand from the line's start."""
        (octave,) = self.octaves(0, settled)
        coming = [{octave: [0] * len(self.stands(0, octave))}]
        for index in range(1, len(self.tones)):
            stays = self.tones[index].home == self.tones[index - 1].home
            here = {}
            for octave in self.octaves(index, settled):
                sources = (octave,) if stays else coming[-1]
                here[octave] = self._come(index - 1, coming[-1], sources, octave)
            coming.append(here)
        return coming

    def closing_bound(self, coming: list[dict[int, Costs]], settled: Mapping[int, int]) -> int:
        """What any line with these bounds costs at least, the way back to its start included."""
        (octave,) = self.octaves(0, settled)
        return min(self._come(len(self.tones) - 1, coming[-1], coming[-1], octave))

    def _come(self, index: int, coming: dict[int, Costs], sources: Sequence[int], onto: int) -> Costs:
        ways = []
        for octave in sources:
            costs = coming[octave]
            _, columns = self.tables(index, octave, onto)
            ways.append([min(map(add, costs, column)) for column in columns])
        return ways[0] if len(ways) == 1 else list(map(min, *ways))

    def descend(
        self, index: int, after: Costs, settled: dict[int, int], before: list[dict[int, Costs]]
    ) -> None:
        """Search all lines that end like this: `after` is what it costs to go on from note `index`."""
        size = len(self.tones)
        while index > 0:
            home, following = self.tones[index - 1].home, settled[self.tones[index % size].home]
            if home not in settled:
                branches = []
                for octave in self.homes[home]:
                    rows, _ = self.tables(index - 1, octave, following)
                    going = [min(map(add, row, after)) for row in rows]
                    bound = min(map(add, before[index - 1][octave], going))
                    branches.append((bound, octave, going))
                for bound, octave, going in sorted(branches):
                    if bound <= self.best[0]:
                        self.descend(index - 1, going, {**settled, home: octave}, before)
                return
            rows, _ = self.tables(index - 1, settled[home], following)
            after = [min(map(add, row, after)) for row in rows]
            index -= 1
        self._close(after, settled)

    def _close(self, bounds: Costs, settled: dict[int, int]) -> None:
        """Try first stands in the order of their bounds, each with the way back to itself."""
        order = dict.fromkeys(tone.home for tone in self.tones)
        octaves = tuple(settled[home] for home in order)
        for bound, start in sorted((bound, start) for start, bound in enumerate(bounds)):
            if bound > self.best[0]:
                return
            cost = _backward(self._line(settled), self._home_again(settled, start))[0][start]
            self.best = min(self.best, (cost, octaves, start, settled), key=lambda best: best[:3])

    def _line(self, settled: Mapping[int, int]) -> list[Rows]:
        octaves = [settled[tone.home] for tone in self.tones]
        return [self.tables(index, *pair)[0] for index, pair in enumerate(pairwise(octaves))]

    def _home_again(self, settled: Mapping[int, int], start: int) -> Costs:
        last, first = (settled[self.tones[index].home] for index in (-1, 0))
        return [row[start] for row in self.tables(len(self.tones) - 1, last, first)[0]]

    def path(self, settled: Mapping[int, int], start: int) -> tuple[Stand, ...]:
        """The cheapest way with everything settled."""
        layers = [self.stands(index, settled[tone.home]) for index, tone in enumerate(self.tones)]
        tables = self._line(settled)
        return _follow(layers, tables, _backward(tables, self._home_again(settled, start)), start)
