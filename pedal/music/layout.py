"""A chorus beat by beat: which chords sound, and what lies ahead of each."""

from typing import NamedTuple

from .voicing import Voicing


class Sounding(NamedTuple):
    """A chord that sounds from `beat` (may be fractional) on, and how it is voiced."""

    beat: float
    chord: int
    voicing: Voicing


class Cell(NamedTuple):
    """One beat of a layout.

    `sounding` holds the chords heard in it, `form_chord` the form's own chord (passing chords left
    out), both as indices into `Plan.chords`. The chord at the start of the beat has sounded
    `beats_in` whole beats and has `beats_left` to go, this one included; `then` is what follows
    (None after the last beat of an ending). `coming` is the form's next other chord and
    `coming_in` the beats until it; -1 and 0 if there is none. `tail_beat` is the beat of the
    turnaround's or ending's line, -1 outside one.
    """

    sounding: tuple[Sounding, ...]
    form_chord: int
    beats_in: int
    beats_left: int
    then: Sounding | None
    coming: int
    coming_in: int
    tail_beat: int


Layout = tuple[tuple[Cell, ...], ...]  # bars of beats
