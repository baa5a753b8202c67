"""A tune's bass line on an instrument: octaves, fingerings, pickups, and the changes that trip the hand.

First the line as written is put on the neck (`fingering`), with the octave of each root. Then
at every change the pickups there are (`pickups`) are tried between where the hand is and where
it has to land, and the one that costs it least is taken, or the one the tune asks for. The
guide bass plays the result, and `transitions` ranks the changes by it.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import NamedTuple

from ..figure_steps import TONIC, LineNote, chorus_notes, figure_steps, own_tone
from ..grid import Slot
from ..layout import Layout
from ..lines import Tail
from ..pickups import Bends
from .effort import Fingering, Gap, path_cost
from .fingerboard import Instrument
from .fingering import Tone, cheapest_cycle, cheapest_path
from .root_octaves import Parts, octaves_for, out_of_reach, root_of
from .transitions import (
    Change,
    Transition,
    Ways,
    changes_of,
    chosen_bends,
    ranked,
    transition,
    ways_into,
    window_of,
)


class Placed(NamedTuple):
    """A bass note on the neck: when (ticks from the start of the chorus), what (MIDI key), where.

    `string` counts from the highest (1); `hand` is the fret of the first finger. `slot` is how far
    into its beat the note is written.
    """

    bar: int
    beat: int
    slot: Slot
    tick: int
    end: int
    key: int
    dead: bool
    string: int
    fret: int
    hand: int


@dataclass(frozen=True, slots=True)
class Fingered:
    """A line on the neck.

    `roots` has the root of each of the plan's chords and `tonic` what turnaround and ending
    count from, as MIDI keys. `chorus` is any chorus but the last, played by the clock. `cost`
    is what the hand pays for one, in hundredths of a millimetre of unhurried travel.
    `warnings` say what could not be had.
    """

    instrument: Instrument
    roots: tuple[int, ...]
    tonic: int
    chorus: tuple[Placed, ...]
    last: tuple[Placed, ...]
    bends: Bends
    transitions: tuple[Transition, ...]
    warnings: tuple[str, ...]
    cost: int


def finger(parts: Parts, instrument: Instrument) -> Fingered:
    """Put a tune's bass line on an instrument. Never fails: what is off the neck is moved by octaves."""
    neck = _Neck(parts, instrument)
    notes = neck.notes(parts.layout, parts.turnaround, {})
    roots = [neck.root(note.chord) for note in notes]
    tones = list(map(Tone, roots, (note.semitones for note in notes), neck.gaps(notes)))
    line = cheapest_cycle(tones, {root: neck.octaves(root) for root in roots}, instrument)
    neck.settled.update(line.root_octaves)
    neck.settle_the_rest()

    changes = changes_of(parts.layout, notes, parts.turnaround)
    ways = [neck.ways_into(change, notes, line.path) for change in changes]
    bends = chosen_bends(changes, ways, parts.pins)
    path = list(line.path)
    for change, way in zip(changes, ways, strict=True):
        window, chosen = window_of(change, len(path)), way.paths.get(way.chosen, ())
        for index, fingering in zip(window, chosen, strict=False):
            path[index] = fingering

    notes = neck.notes(parts.layout, parts.turnaround, bends)
    gaps = neck.gaps(notes)
    last = neck.notes(parts.last, parts.ending, bends)
    measured = [
        transition(change, path, gaps, parts.chords, instrument, way)
        for change, way in zip(changes, ways, strict=True)
    ]
    return Fingered(
        instrument=instrument,
        roots=tuple(neck.settled[chord.root.pc] for chord in parts.chords),
        tonic=neck.settled[TONIC],
        chorus=neck.placed(notes, path),
        last=neck.placed(last, neck.last_path(notes, path, last)),
        bends=bends,
        transitions=ranked(measured),
        warnings=(*out_of_reach(parts, neck.settled, instrument), *_pins_missed(parts.pins, changes, ways)),
        cost=path_cost(instrument, path, gaps),
    )


class _Neck:
    """The line of some parts on an instrument. `settled` has the octaves (MIDI keys) of roots known so far.

    Roots are those of `root_octaves.root_of`.
    """

    def __init__(self, parts: Parts, instrument: Instrument) -> None:
        self.parts, self.instrument = parts, instrument
        self.settled: dict[int, int] = {}

    def root(self, chord: int) -> int:
        return root_of(self.parts, chord)

    def octaves(self, root: int) -> list[int]:
        return octaves_for(root, self.parts, self.instrument)

    def notes(self, layout: Layout, tail: Tail | None, bends: Bends) -> list[LineNote]:
        feel, chords = self.parts.feel, self.parts.chords
        swing = max(1.0, feel.swing_at(self.parts.bpm))
        return chorus_notes(layout, chords, self.parts.figure, tail, feel.ticks, swing, bends)

    def gaps(self, notes: Sequence[LineNote], wraps: bool = True) -> list[Gap]:
        """The time from each note to the next; from the last to the first of the next chorus."""
        total = len(self.parts.layout) * self.parts.feel.beats * self.parts.feel.ticks
        after = [*(note.tick for note in notes[1:]), *([notes[0].tick + total] if wraps else [])]
        return [
            Gap(self._ms(then - note.let_go), self._ms(then - note.tick))
            for note, then in zip(notes, after, strict=False)
        ]

    def _ms(self, ticks: int) -> int:
        return round(ticks * 60_000 / (self.parts.bpm * self.parts.feel.ticks))

    def settle_the_rest(self) -> None:
        """Octaves of roots that no chorus played by the clock needs, but a vamp or the ending may."""
        first = self.parts.layout[0][0].sounding[0].chord
        for chord, _ in enumerate(self.parts.chords):
            if self.root(chord) not in self.settled:
                self._settle(self.root(chord), self._taking_turns(first, chord))
        if TONIC not in self.settled:
            self._settle(TONIC, self.notes(self.parts.last, self.parts.ending, {}))

    def _settle(self, root: int, notes: Sequence[LineNote]) -> None:
        gaps = self.gaps(notes, wraps=False)

        def cost(octave: int) -> int:
            self.settled[root] = octave
            return cheapest_path(self.keys(notes), gaps, self.instrument).cost

        self.settled[root] = min(self.octaves(root), key=cost)

    def _taking_turns(self, *chords: int) -> list[LineNote]:
        """The figure once on each of some chords, whole."""
        figure, ticks = self.parts.figure, self.parts.feel.ticks
        swing = max(1.0, self.parts.feel.swing_at(self.parts.bpm))
        notes = []
        for turn, chord in enumerate(chords):
            for beat in range(figure.beats):
                at = (turn * figure.beats + beat) * ticks
                for step, owner in figure_steps(figure, ticks, swing, beat, None, chord, None):
                    semitones = step.semitones + own_tone(self.parts.chords, chord, step)
                    tick, end = at + step.tick, at + step.end
                    notes.append(LineNote(0, 0, tick, end, owner, semitones, step.dead, False, Slot(0, 1)))
        return notes

    def written(self, notes: Sequence[LineNote]) -> list[int]:
        return [self.settled[self.root(note.chord)] + note.semitones for note in notes]

    def keys(self, notes: Sequence[LineNote]) -> list[int]:
        return [self.instrument.nearest(key) for key in self.written(notes)]

    def ways_into(self, change: Change, notes: Sequence[LineNote], path: Sequence[Fingering]) -> Ways:
        """The pickups there are into a change."""
        landing = notes[change.lands]
        above = self.settled[self.root(landing.chord)] + landing.semitones
        above -= self.settled[self.root(change.reaches)]
        pin = self.parts.pins.get(change.bar)

        def measure(some: Sequence[LineNote]) -> tuple[list[int], list[Gap]]:
            return self.written(some), self._gaps_round(some)

        figure, chords = self.parts.figure, self.parts.chords
        return ways_into(change, notes, path, figure, chords, above, measure, self.instrument, pin)

    def _gaps_round(self, some: Sequence[LineNote]) -> list[Gap]:
        """Times between notes in a row that may go round the end of the chorus."""
        total = len(self.parts.layout) * self.parts.feel.beats * self.parts.feel.ticks
        late = [
            note._replace(tick=note.tick + total, end=note.end + total) if note.tick <= some[0].tick else note
            for note in some[1:]
        ]
        return self.gaps([some[0], *late], wraps=False)

    def last_path(
        self, notes: Sequence[LineNote], path: Sequence[Fingering], last: Sequence[LineNote]
    ) -> list[Fingering]:
        """The last chorus: as any other until the ending parts from it, then the cheapest way on."""
        heard = [(note.tick, note.dead, key) for note, key in zip(notes, self.keys(notes), strict=True)]
        ours = [(note.tick, note.dead, key) for note, key in zip(last, self.keys(last), strict=True)]
        same = next((n for n, (a, b) in enumerate(zip(heard, ours, strict=False)) if a != b), len(ours))
        same = min(same, len(heard))
        first = max(0, same - 1)
        rest = last[first:]
        start = path[first] if same else None
        way = cheapest_path(self.keys(rest), self.gaps(rest, wraps=False), self.instrument, start)
        return [*path[:first], *way.path]

    def placed(self, notes: Sequence[LineNote], path: Sequence[Fingering]) -> tuple[Placed, ...]:
        return tuple(
            Placed(n.bar, n.beat, n.slot, n.tick, n.end, key, n.dead, s.string, s.fret, s.hand)
            for n, key, s in zip(notes, self.keys(notes), path, strict=True)
        )


def _pins_missed(pins: Mapping[int, str], changes: Sequence[Change], ways: Sequence[Ways]) -> list[str]:
    """Pickups that the tune asks for and cannot have."""
    told = []
    for bar, name in sorted(pins.items()):
        there = [way for change, way in zip(changes, ways, strict=True) if change.bar == bar and way.costs]
        if not there:
            told.append(f"pickup {name!r} for bar {bar}: no pickup leads into a change there")
        elif any(name not in way.costs for way in there):
            told.append(f"pickup {name!r} for bar {bar}: the figure or the instrument has no room for it")
    return told
