"""The cheapest way to play a line on the neck, octaves of the chords included. Exact.

A line is notes in order, each a number of semitones above a *root*: that of a chord, or the tonic.
A root has a few octaves to choose from and keeps the one chosen all through the line.
The line is played over and over, so a way to play it is a closed path through the fingerings
(`effort.Fingering`) of its notes, the move from the last note back to the first included.

How: with octaves and the first fingering settled, the cheapest path is dynamic programming, note
by note from the end (shortest path in a layered graph: Sayegh, Computer Music Journal 13(3),
1989). What is not settled is searched, branch and bound:

* The octaves are branched on from the end of the line, where a root is first met. A branch is
  left when its cost so far plus a bound on the rest is more than the best line known. The bound
  is the cheapest path to that fingering from the start when every run of notes on one root may
  have an octave of its own, and the start may be any fingering of the first note.
* At the end of a branch each first fingering has a bound already (the path that need not close
  there), and fingerings are tried while it is no more than the best line known.

So nothing is lost, and the time is linear in the notes: a table a pair of neighbours, nearly
all of them seen before, as figures repeat. It may double with every further root at worst; a
twelve-bar of eight chords takes tens of milliseconds, one of fourteen at random up to a second.

Ties: lower octaves of roots first, in the order in which the line meets them; then the way whose first
differing note has the lower fret, then the lower hand, then the higher string.
"""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from itertools import pairwise
from operator import add
from typing import NamedTuple

from .effort import NEVER, Fingering, Gap, Rows, fingerings, move_rows
from .fingerboard import Instrument


class Tone(NamedTuple):
    """A note of a line: the root it counts from, semitones above it, and the time to the next."""

    root: int
    semitones: int
    gap: Gap


class FingeredLine(NamedTuple):
    """A line on the neck: the octave of each root (MIDI key), how each note is played, the cost."""

    root_octaves: dict[int, int]
    path: tuple[Fingering, ...]
    cost: int


class FingeredPath(NamedTuple):
    """How each of some notes is played, and what it costs (see `effort`)."""

    cost: int
    path: tuple[Fingering, ...]


Costs = list[int]  # of going on from each fingering of a note, or of coming to it


def cheapest_cycle(
    tones: Sequence[Tone], root_octaves: Mapping[int, Sequence[int]], instrument: Instrument
) -> FingeredLine:
    """The cheapest closed path. `root_octaves` are the octaves (MIDI keys) each root may have.

    Every note must lie on the neck in every octave (`Instrument.nearest` is applied to each).
    ValueError if there are no notes.
    """
    if not tones:
        raise ValueError("a line without notes has no fingering")
    search = _Search(tones, root_octaves, instrument)
    first = tones[0].root
    starts = []
    for octave in root_octaves[first]:
        before = search.bounds({first: octave})
        closing = search.closing_bound(before, {first: octave})
        starts.append((closing, octave, before))
    for bound, octave, before in sorted(starts, key=lambda start: start[:2]):
        if bound <= search.best[0]:
            nothing = [0] * len(search.fingerings(0, octave))
            search.descend(len(tones), nothing, {first: octave}, before)
    cost, _, _, settled = search.best
    return FingeredLine(settled, search.path(settled, search.best[2]), cost)


def cheapest_path(
    keys: Sequence[int],
    gaps: Sequence[Gap],
    instrument: Instrument,
    start: Fingering | None = None,
    end: Fingering | None = None,
) -> FingeredPath:
    """The cheapest open path of given MIDI keys, one gap less than keys.

    With a `start` it begins there. Without, what the first fingering itself costs is not counted.
    The same for an `end`, whose own cost counts. Ties as in `cheapest_cycle`.
    """
    layers = [fingerings(instrument, key) for key in keys]
    after = [0 if end in (None, fingering) else NEVER for fingering in layers[-1]]
    tables = [move_rows(instrument, *pair, gap) for pair, gap in zip(pairwise(keys), gaps, strict=True)]
    going = _backward(tables, after)
    first = layers[0].index(start) if start else going[0].index(min(going[0]))
    return FingeredPath(going[0][first], _follow(layers, tables, going, first))


def _backward(tables: Sequence[Rows], after: Costs) -> list[Costs]:
    """What it costs to go on from every fingering of every note, given it for the last note."""
    going = [after]
    for rows in reversed(tables):
        after = [min(map(add, row, after)) for row in rows]
        going.append(after)
    return going[::-1]


def _follow(
    layers: Sequence[tuple[Fingering, ...]], tables: Sequence[Rows], going: Sequence[Costs], at: int
) -> tuple[Fingering, ...]:
    """The cheapest path from a fingering of the first note; of equal ways the first in order."""
    path = [layers[0][at]]
    for layer, rows, after in zip(layers[1:], tables, going[1:], strict=False):
        costs = list(map(add, rows[at], after))
        at = costs.index(min(costs))
        path.append(layer[at])
    return tuple(path)


@dataclass
class _Search:
    """One search. `best` is the cheapest line known: cost, octaves in order, first fingering, octaves."""

    tones: Sequence[Tone]
    root_octaves: Mapping[int, Sequence[int]]
    instrument: Instrument
    best: tuple[int, tuple[int, ...], int, dict[int, int]] = (NEVER, (), 0, {})
    _rows: dict[tuple[int, int, Gap], tuple[Rows, Rows]] = field(default_factory=dict)

    def key(self, index: int, octave: int) -> int:
        return self.instrument.nearest(octave + self.tones[index].semitones)

    def fingerings(self, index: int, octave: int) -> tuple[Fingering, ...]:
        return fingerings(self.instrument, self.key(index, octave))

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
        root = self.tones[index].root
        return (settled[root],) if root in settled else self.root_octaves[root]

    def bounds(self, settled: Mapping[int, int]) -> list[dict[int, Costs]]:
        """By note and octave, what it costs at least to come to each fingering from the line's start."""
        (octave,) = self.octaves(0, settled)
        coming = [{octave: [0] * len(self.fingerings(0, octave))}]
        for index in range(1, len(self.tones)):
            stays = self.tones[index].root == self.tones[index - 1].root
            here = {}
            for octave in self.octaves(index, settled):
                sources: Iterable[int] = (octave,) if stays else coming[-1]
                here[octave] = self._come(index - 1, coming[-1], sources, octave)
            coming.append(here)
        return coming

    def closing_bound(self, coming: list[dict[int, Costs]], settled: Mapping[int, int]) -> int:
        """What any line with these bounds costs at least, the way back to its start included."""
        (octave,) = self.octaves(0, settled)
        return min(self._come(len(self.tones) - 1, coming[-1], coming[-1], octave))

    def _come(self, index: int, coming: dict[int, Costs], sources: Iterable[int], onto: int) -> Costs:
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
            root, following = self.tones[index - 1].root, settled[self.tones[index % size].root]
            if root not in settled:
                branches = []
                for octave in self.root_octaves[root]:
                    rows, _ = self.tables(index - 1, octave, following)
                    going = [min(map(add, row, after)) for row in rows]
                    bound = min(map(add, before[index - 1][octave], going))
                    branches.append((bound, octave, going))
                for bound, octave, going in sorted(branches):
                    if bound <= self.best[0]:
                        self.descend(index - 1, going, {**settled, root: octave}, before)
                return
            rows, _ = self.tables(index - 1, settled[root], following)
            after = [min(map(add, row, after)) for row in rows]
            index -= 1
        self._close(after, settled)

    def _close(self, bounds: Costs, settled: dict[int, int]) -> None:
        """Try first stands in the order of their bounds, each with the way back to itself."""
        order = dict.fromkeys(tone.root for tone in self.tones)
        octaves = tuple(settled[root] for root in order)
        for bound, start in sorted((bound, start) for start, bound in enumerate(bounds)):
            if bound > self.best[0]:
                return
            cost = _backward(self._line(settled), self._back_to_start(settled, start))[0][start]
            self.best = min(self.best, (cost, octaves, start, settled), key=lambda best: best[:3])

    def _line(self, settled: Mapping[int, int]) -> list[Rows]:
        octaves = [settled[tone.root] for tone in self.tones]
        return [self.tables(index, *pair)[0] for index, pair in enumerate(pairwise(octaves))]

    def _back_to_start(self, settled: Mapping[int, int], start: int) -> Costs:
        last, first = (settled[self.tones[index].root] for index in (-1, 0))
        return [row[start] for row in self.tables(len(self.tones) - 1, last, first)[0]]

    def path(self, settled: Mapping[int, int], start: int) -> tuple[Fingering, ...]:
        """The cheapest way with everything settled."""
        layers = [self.fingerings(index, settled[tone.root]) for index, tone in enumerate(self.tones)]
        tables = self._line(settled)
        return _follow(layers, tables, _backward(tables, self._back_to_start(settled, start)), start)
