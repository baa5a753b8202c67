"""What playing a note costs the hand, and getting from one note to the next.

A `Fingering` is a string, a fret, and where the hand is while it sounds. Everything is counted
in hundredths of the effort of moving the hand one millimetre with all the time in the world,
in whole numbers, so that sums are exact and ties are ties. The kinds of effort are those of
the literature on fingering: travel along the neck, spread of the fingers, and crossing of
strings (Heijink & Meulenbroek, J. Motor Behavior 34(4), 2002, for travel and spread; Lombardo
& Radicioni, 2005, for keeping "along" and "across" apart). Their weights are judgement.

* travel: `SHIFT_MM` for letting go at all, and the millimetres, times 1 + HURRY_MS / time. The
  time runs from where the note before can be let go to where the next begins: half a sounding
  note's length, the click of a dead one, and all of an open string, which needs no hand.
* stretch: STRETCH a millimetre past the hand's span.
* crossing: CROSS_MM times the square of the strings: the next one is near, others are skipped to.
* leap: LEAP_MM times the square of the semitones. It is the same wherever the notes are
  played; it decides between octaves and between pickups.
* open strings: by the instrument's setting.
* height: HEIGHT_MM a semitone above the lowest string: a bass is there to be low.

An open string keeps the hand where it was at the note before.
"""

from collections.abc import Sequence
from functools import cache
from typing import NamedTuple

from .fingerboard import Instrument, frets_mm

SCALE = 100  # hundredths
SHIFT_MM = 12.0
HURRY_MS, SHORTEST_MS = 100, 20
STRETCH = 1.5
CROSS_MM = 4.0
LEAP_MM = 0.05
OPEN_MM = {"avoid": 200.0, "allow": 0.0, "prefer": -20.0}
HEIGHT_MM = 2.2
NEVER = 10**9  # dearer than any line


class Fingering(NamedTuple):
    """A fret, a hand position (the fret of the first finger), a string. Low frets, low hands sort first."""

    fret: int
    hand: int
    string: int


class Gap(NamedTuple):
    """The time to the next note, in ms: from where a stopped note can be let go, from an open one."""

    stopped: int
    open: int


@cache
def fingerings(instrument: Instrument, key: int) -> tuple[Fingering, ...]:
    """All ways to play a pitch, in the order in which ties are broken."""
    return tuple(
        sorted(
            Fingering(fret, hand, string)
            for string, fret in instrument.fret_positions(key)
            for hand in instrument.hands(fret)
        )
    )


def hold_cost(instrument: Instrument, fingering: Fingering) -> int:
    """What holding a note costs the hand: stretch and open string. Hundredths of a mm of travel."""
    cost = STRETCH * instrument.stretch_mm(fingering.hand, fingering.fret)
    if fingering.fret == 0:
        cost += OPEN_MM[instrument.open_strings]
    return round(SCALE * cost)


def height_cost(instrument: Instrument, key: int) -> int:
    """What a pitch (MIDI key) costs for not being low, wherever it is played."""
    return round(SCALE * HEIGHT_MM * (key - instrument.lowest))


def note_cost(instrument: Instrument, fingering: Fingering) -> int:
    """What a note costs by itself: `hold_cost` and `height_cost`."""
    key = instrument.tuning[-fingering.string] + fingering.fret
    return hold_cost(instrument, fingering) + height_cost(instrument, key)


def travel_cost(instrument: Instrument, one: int, other: int, ms: int) -> int:
    """What moving the hand between two positions (frets) costs in so many ms; the same both ways."""
    if one == other:
        return 0
    hurry = 1 + HURRY_MS / max(ms, SHORTEST_MS)
    return round(SCALE * (SHIFT_MM + instrument.between_mm(one, other)) * hurry)


def cross_cost(one: int, other: int) -> int:
    """What going from one string to another costs (see SCALE)."""
    return round(SCALE * CROSS_MM * (one - other) ** 2)


def leap_cost(semitones: int) -> int:
    """What a leap costs (see SCALE)."""
    return round(SCALE * LEAP_MM * semitones**2)


def move_cost(instrument: Instrument, one: Fingering, other: Fingering, gap: Gap) -> int:
    """What getting from one note to the next costs, `note_cost` of neither included."""
    if other.fret == 0 and other.hand != one.hand:
        return NEVER
    keys = [instrument.tuning[-fingering.string] + fingering.fret for fingering in (one, other)]
    travel = travel_cost(instrument, one.hand, other.hand, gap.stopped if one.fret else gap.open)
    return travel + cross_cost(one.string, other.string) + leap_cost(keys[1] - keys[0])


Rows = tuple[tuple[int, ...], ...]


@cache
def _held(instrument: Instrument, key: int) -> tuple[tuple[int, int, int, int], ...]:
    return tuple((s.string, s.hand, s.fret, note_cost(instrument, s)) for s in fingerings(instrument, key))


@cache
def _base_travel(instrument: Instrument) -> tuple[tuple[float, ...], ...]:
    """Millimetres times SCALE, unhurried; hand positions from 0 (unused) to the last fret."""
    lines = frets_mm(instrument)
    return tuple(tuple(SCALE * (SHIFT_MM + abs(a - b)) if a != b else 0.0 for b in lines) for a in lines)


@cache
def _crossings(strings: int) -> Rows:
    every = range(strings + 1)
    return tuple(tuple(cross_cost(one, other) for other in every) for one in every)


def move_rows(instrument: Instrument, key: int, onto: int, gap: Gap) -> Rows:
    """`move_cost` + `note_cost` of the second note for all ways of two pitches, a row a first one.

    The same numbers as theirs, quicker.
    """
    leap = leap_cost(onto - key)
    base, crossings = _base_travel(instrument), _crossings(len(instrument.tuning))
    stopped = 1 + HURRY_MS / max(gap.stopped, SHORTEST_MS)
    opened = 1 + HURRY_MS / max(gap.open, SHORTEST_MS)
    there = [(string, hand, fret, cost + leap) for string, hand, fret, cost in _held(instrument, onto)]
    rows = []
    for string, hand, fret, _ in _held(instrument, key):
        across, along, hurry = crossings[string], base[hand], stopped if fret else opened
        rows.append(
            tuple(
                cost + across[s] + round(along[h] * hurry) if f or h == hand else NEVER
                for s, h, f, cost in there
            )
        )
    return tuple(rows)


def path_cost(instrument: Instrument, path: Sequence[Fingering], gaps: Sequence[Gap]) -> int:
    """What a line costs; a cycle if there are as many gaps as notes, else the first note is free."""
    pairs = list(zip(path, [*path[1:], path[0]], gaps, strict=False))
    return sum(move_cost(instrument, a, b, gap) + note_cost(instrument, b) for a, b, gap in pairs)
