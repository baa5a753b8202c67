"""A tune's bass line on an instrument: octaves, places, pickups, and the changes that trip the hand.

First the line as written is put on the neck (`fingering`), with the octave of each root. Then
at every change the pickups there are (`pickups`) are tried between where the hand is and where
it has to land, and the one that costs it least is taken, or the one the tune asks for. The
guide bass plays the result, and `transitions` ranks the changes by it.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, NamedTuple

from .degrees import Chord
from .feels import Feel
from .fingerboard import Instrument
from .fingering import Tone, cheapest_cycle, cheapest_path
from .hand import Gap, Stand, path_cost
from .lines import Figure, Step, Tail
from .pickups import Bends
from .pitch import Key
from .steps import TONIC, LineNote, chorus_notes
from .transitions import Change, Transition, changes_of, choose_pickups, rank

if TYPE_CHECKING:
    from .plan import Layout

OCTAVES = 3  # a root is looked for in its lowest octaves that have room for the figure


class Parts(NamedTuple):
    """What a bass line is made of. `pins` are the pickups a tune asks for, by bar."""

    key: Key
    bpm: float
    feel: Feel
    figure: Figure
    turnaround: Tail | None
    ending: Tail
    chords: tuple[Chord, ...]
    layout: "Layout"
    last: "Layout"
    pins: Mapping[int, str]


class Placed(NamedTuple):
    """A bass note on the neck: when (ticks from the start of the chorus), what (MIDI key), where.

    `string` counts from the highest (1); `hand` is the fret of the first finger. `place` is how
    far into its beat the note is written, in slots: (1, 2) is the second of two.
    """

    bar: int
    beat: int
    place: tuple[int, int]
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
    """Put a tune's bass line on an instrument. Never fails: what has no place is moved by octaves."""
    neck = _Neck(parts, instrument)
    notes = neck.notes(parts.layout, parts.turnaround, {})
    tones = neck.tones(notes)
    line = cheapest_cycle(tones, {tone.home: neck.octaves(tone.home) for tone in tones}, instrument)
    neck.settled = dict(line.homes)
    neck.settle_others()
    changes = changes_of(parts.layout, notes, parts.turnaround)
    warnings = neck.out_of_reach()
    path = list(line.path)
    bends = choose_pickups(changes, notes, path, neck, parts, instrument, warnings)
    bent_notes = neck.notes(parts.layout, parts.turnaround, bends)
    last_notes = neck.notes(parts.last, parts.ending, bends)
    last_path = neck.last_path(bent_notes, path, last_notes)
    gaps = neck.gaps(bent_notes)
    return Fingered(
        instrument=instrument,
        roots=tuple(neck.settled[chord.root.pc] for chord in parts.chords),
        tonic=neck.settled[TONIC],
        chorus=neck.placed(bent_notes, path),
        last=neck.placed(last_notes, last_path),
        bends=bends,
        transitions=rank(changes, bent_notes, path, gaps, parts, instrument),
        warnings=tuple(warnings),
        cost=path_cost(instrument, path, gaps),
    )
