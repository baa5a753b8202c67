"""What a bass line is made of, and in which octaves its roots may lie on an instrument.

A *root* is what notes are counted from: its pitch class, so that a chord keeps its octave in every
quality, or TONIC, for the lines of turnaround and ending.
"""

from collections.abc import Mapping
from typing import NamedTuple

from ..degrees import Chord
from ..feels import Feel
from ..figure_steps import TONIC
from ..layout import Layout
from ..lines import Figure, Step, Tail
from ..pitch import FLAT, SHARP, Key
from .fingerboard import Instrument

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
    layout: Layout
    last: Layout
    pins: Mapping[int, str]


def root_of(parts: Parts, chord: int) -> int:
    """The root that the notes of a chord (index, or TONIC) count from: a pitch class 0..11, or TONIC."""
    return TONIC if chord == TONIC else parts.chords[chord].root.pc


def octaves_for(root: int, parts: Parts, instrument: Instrument) -> list[int]:
    """Where a root may lie (MIDI keys): the lowest octaves with room for all that is counted from it.

    If no octave has room for all of it, those with room for most.
    """
    pc = parts.key.tonic.pc if root == TONIC else root
    semitones = [0, *(semitones for _, semitones in _reach(root, parts))]
    low, high = instrument.lowest, instrument.highest
    every = range(low + (pc - low) % 12, high + 1, 12)
    missed = {octave: sum(not low <= octave + step <= high for step in semitones) for octave in every}
    fewest = min(missed.values())
    return [octave for octave in every if missed[octave] == fewest][:OCTAVES]


def out_of_reach(parts: Parts, settled: Mapping[int, int], instrument: Instrument) -> list[str]:
    """What the instrument does not have with these octaves of roots (MIDI keys), told to the player."""
    names = {TONIC: "the tonic, in the turnaround or ending,"}
    for chord in parts.chords:
        names.setdefault(chord.root.pc, f"{chord.degree} ({chord.symbol})")
    told = []
    for root, name in names.items():
        for step, semitones in _reach(root, parts):
            key = settled[root] + semitones
            if instrument.lowest <= key <= instrument.highest:
                continue
            low = key < instrument.lowest
            edge = (
                f"below the lowest string ({instrument.string_names[-1]})" if low else "above the last fret"
            )
            octaves = abs(instrument.nearest(key) - key) // 12
            moved = f"{octaves} octave{'s' * (octaves > 1)} {'higher' if low else 'lower'}"
            told.append(f"{_called(step)} of {name} in {parts.key} is {edge}; it is played {moved}")
    return list(dict.fromkeys(told))


def _reach(root: int, parts: Parts) -> list[tuple[Step, int]]:
    """All that is ever counted from a root, in semitones, whatever the quality of its chord."""
    if root == TONIC:
        tails = [tail.line for tail in (parts.turnaround, parts.ending) if tail]
        return [(step, step.semitones) for line in tails for step in line]
    degrees = [chord.degree for chord in parts.chords if chord.root.pc == root]
    return [
        (step, step.semitones + own)
        for step in parts.figure.line
        for own in sorted({degree.own(step.own) for degree in degrees} if step.own else {0})
    ]


def _called(step: Step) -> str:
    where = "lower " if step.semitones < 0 else "upper " if step.semitones >= 12 else ""
    return f"the {where}{step.degree.replace('b', FLAT).replace('#', SHARP)}"
