"""The neck of a bass: strings, frets, and where a pitch can be found.

Strings count as in notation, from the highest-pitched: string 1 of a four-string bass is G.
Fret 0 is the open string. Lengths are in millimetres; fret n lies L·(1 − 2^(−n/12)) from the
nut (equal temperament; builders divide what is left by 17.817 again and again), so that a
hand that covers four frets at the twelfth stretches half as far as one at the nut.
"""

from dataclasses import dataclass
from functools import cache
from typing import NamedTuple

from ..pitch import MAJOR_KEYS

OPEN_STRINGS = ("avoid", "allow", "prefer")
MOST_FRETS = 36
FIFTH_FRET = 5  # from here up the hand covers more frets


class FretPosition(NamedTuple):
    """Where a note is stopped: `string` from the highest (1), `fret` from the nut (0 is open)."""

    string: int
    fret: int


@dataclass(frozen=True, slots=True)
class Instrument:
    """A bass. ValueError if the settings contradict each other.

    `tuning` are the MIDI keys of the open strings, lowest first. `scale_mm` is the length from
    nut to bridge. `span_frets` is how many frets the hand covers without stretching, one finger
    each, with the first finger below the fifth fret and from there on; `span_mm`, if given,
    says it as one length instead, from the first finger's fret to the last's.
    """

    tuning: tuple[int, ...] = (28, 33, 38, 43)
    frets: int = 20
    scale_mm: float = 864.0
    span_frets: tuple[int, int] = (3, 4)
    span_mm: float | None = None
    open_strings: str = "avoid"

    def __post_init__(self) -> None:
        if not 1 <= len(self.tuning) <= 12:
            raise ValueError(f"tuning has {len(self.tuning)} strings; 1 to 12 are allowed")
        if list(self.tuning) != sorted(set(self.tuning)) or not 0 <= self.tuning[0] <= self.tuning[-1] < 108:
            raise ValueError(f"tuning {list(self.tuning)} must rise from string to string, within 0 to 107")
        if not 12 <= self.frets <= MOST_FRETS:
            # Twelve make every pitch between the lowest and the highest playable, in some octave at least.
            raise ValueError(f"frets is {self.frets}; 12 to {MOST_FRETS} are allowed")
        gap = max((high - low for low, high in zip(self.tuning, self.tuning[1:], strict=False)), default=0)
        if gap > self.frets + 1:
            raise ValueError(f"tuning {list(self.tuning)} has {gap} semitones between two strings")
        if not 300 <= self.scale_mm <= 1500:
            raise ValueError(f"scale_mm is {self.scale_mm:g}; 300 to 1500 are allowed")
        if len(self.span_frets) != 2 or not 1 <= self.span_frets[0] <= self.span_frets[1] <= 8:
            raise ValueError(f"span_frets is {self.span_frets}; two numbers from 1 to 8 that do not fall")
        if self.span_mm is not None and not 20 <= self.span_mm <= 300:
            raise ValueError(f"span_mm is {self.span_mm:g}; 20 to 300 are allowed")
        if self.open_strings not in OPEN_STRINGS:
            raise ValueError(f"open_strings is {self.open_strings!r}; there are {', '.join(OPEN_STRINGS)}")

    @property
    def lowest(self) -> int:
        """MIDI key of the lowest open string."""
        return self.tuning[0]

    @property
    def highest(self) -> int:
        """MIDI key of the last fret of the highest string."""
        return self.tuning[-1] + self.frets

    @property
    def string_names(self) -> tuple[str, ...]:
        """Note names of the open strings, highest string first: `G D A E`."""
        return tuple(MAJOR_KEYS[key % 12] for key in reversed(self.tuning))

    def name_of(self, string: int) -> str:
        """The note name of a string, counted from the highest (1)."""
        return self.string_names[string - 1]

    def fret_positions(self, key: int) -> tuple[FretPosition, ...]:
        """All positions of a MIDI key, highest string (lowest fret) first; none if it is out of range."""
        frets = ((string, key - self.tuning[-string]) for string in range(1, len(self.tuning) + 1))
        return tuple(FretPosition(string, fret) for string, fret in frets if 0 <= fret <= self.frets)

    def nearest(self, key: int) -> int:
        """The key itself if it can be played, else the nearest octave of it that can."""
        while key < self.lowest:
            key += 12
        while key > self.highest:
            key -= 12
        return key

    def fret_mm(self, fret: int) -> float:
        """Distance of a fret from the nut, in mm."""
        return self.scale_mm * (1 - 2 ** (-fret / 12))

    def between_mm(self, one: int, other: int) -> float:
        """Distance of two frets along the neck, in mm, never negative."""
        return abs(self.fret_mm(one) - self.fret_mm(other))

    def free_mm(self, hand: int) -> float:
        """What the hand reaches without stretching, first finger at fret `hand`: mm up from there."""
        if self.span_mm is not None:
            return self.span_mm
        low, high = self.span_frets
        return self.between_mm(hand, hand + (low if hand < FIFTH_FRET else high) - 1)

    def stretch_mm(self, hand: int, fret: int) -> float:
        """How much further than that a fret is, in mm; 0 for one inside the span or an open string."""
        if fret == 0:
            return 0.0
        return max(0.0, self.between_mm(hand, fret) - self.free_mm(hand))

    def hands(self, fret: int) -> tuple[int, ...]:
        """Hand positions (frets of the first finger) from which a fret can be stopped.

        Those within the span and, stretching, one fret past it. An open string needs no hand:
        any position.
        """
        if fret == 0:
            return tuple(range(1, self.frets + 1))
        return tuple(
            hand for hand in range(1, fret + 1) if hand == fret or self.stretch_mm(hand, fret - 1) < 1e-9
        )


FOUR = Instrument()
FIVE = Instrument(tuning=(23, 28, 33, 38, 43))
SIX = Instrument(tuning=(23, 28, 33, 38, 43, 48))
INSTRUMENTS = {4: FOUR, 5: FIVE, 6: SIX}  # presets by number of strings


@cache
def frets_mm(instrument: Instrument) -> tuple[float, ...]:
    """Distances of all frets from the nut, the nut (0) first, in mm."""
    return tuple(instrument.fret_mm(fret) for fret in range(instrument.frets + 1))
