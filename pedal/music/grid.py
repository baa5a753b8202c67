"""Time inside a bar: ticks, slots and swing.

480 ticks are a quarter note; the beat is what a foot taps, a quarter in 4/4 (480 ticks) or a
dotted quarter in 12/8 (720). Rhythms are written in grids: a beat holds some *slots*, one
character or word each, and `|` stands between beats.

Swing is the long eighth over the short one: 2 is the shuffle, 1 is straight.
"""

from functools import cache
from itertools import pairwise
from typing import NamedTuple

QUARTER = 480
SLOTS = (1, 2, 3, 4, 6)  # slots a beat that a grid may have


class Slot(NamedTuple):
    """A slot of a beat: `Slot(1, 2)` is the second of two, for `number` counts from 0."""

    number: int
    of: int


@cache
def slot_ticks(slots: int, ticks_per_beat: int, swing: float) -> tuple[int, ...]:
    """Where the slots of a beat lie, in ticks from its start.

    Two slots swing. Three are the shuffle's triplet, whose last moves with the swing; in
    a straight feel they are an even triplet. Four halve the two eighths, six the three.
    """
    shares: tuple[float, ...]
    long = swing / (1 + swing)
    eighths = (0.0, long, 1.0)
    thirds = (0.0, long / 2, long, 1) if swing > 1.2 else (0.0, 1 / 3, 2 / 3, 1)
    if slots % 2:
        shares = thirds[:-1] if slots == 3 else (0.0,)
    else:
        coarse = thirds if slots == 6 else eighths
        shares = coarse[:-1] if slots == 2 else _halved(coarse)
    return tuple(round(share * ticks_per_beat) for share in shares)


def _halved(ends: tuple[float, ...]) -> tuple[float, ...]:
    return tuple(point for low, high in pairwise(ends) for point in (low, (low + high) / 2))


def split_beats(text: str) -> list[str]:
    """A grid row's beats, white space outside the cells removed."""
    return [beat.strip() for beat in text.strip().strip("|").split("|")]


def beat_cells(text: str, cells: str, beats: int | None = None) -> list[str]:
    """The beats of a one-character-a-slot grid row, checked.

    ValueError if a beat's slots are not of a number in SLOTS, differ from the others', use
    characters outside `cells`, or if there are not `beats` of them.
    """
    rows = split_beats(text)
    width = len(rows[0])
    if width not in SLOTS:
        raise ValueError(f"{text!r}: a beat has {width} slots; allowed are {', '.join(map(str, SLOTS))}")
    for number, row in enumerate(rows, 1):
        if len(row) != width:
            raise ValueError(f"{text!r}: beat {number} has {len(row)} slots, the first has {width}")
        if wrong := set(row) - set(cells):
            raise ValueError(f"{text!r}: {sorted(wrong)[0]!r} is none of {' '.join(cells)}")
    if beats is not None and len(rows) != beats:
        raise ValueError(f"{text!r}: {len(rows)} beats, there should be {beats}")
    return rows
