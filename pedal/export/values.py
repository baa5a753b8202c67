"""From ticks to note values: where in a bar a tick is written, and what notes and ties fill it.

Music is played in grids that swing and written in ones that do not: the second slot of a
swung pair is written as an even eighth, the third slot of a triplet as a triplet. Written time
is in quarter notes, as fractions.
"""

from collections.abc import Sequence
from fractions import Fraction
from typing import NamedTuple

from ..errors import BadValue
from ..music.feels import Feel
from ..music.grid import slot_ticks

# Note values by length in quarters: type (a word of MusicXML) and dots.
VALUES = {
    Fraction(6): ("whole", 1),
    Fraction(4): ("whole", 0),
    Fraction(3): ("half", 1),
    Fraction(2): ("half", 0),
    Fraction(3, 2): ("quarter", 1),
    Fraction(1): ("quarter", 0),
    Fraction(3, 4): ("eighth", 1),
    Fraction(1, 2): ("eighth", 0),
    Fraction(3, 8): ("16th", 1),
    Fraction(1, 4): ("16th", 0),
    Fraction(1, 8): ("32nd", 0),
}
_THREE_IN_TWO = Fraction(3, 2)  # a triplet's value on paper over its length
_TRIPLETS = (3, 6)


class Meter(NamedTuple):
    """A bar: `beats` of `beat` quarters each; `compound` if a beat is three eighths."""

    beats: int
    beat: Fraction
    compound: bool

    @property
    def bar(self) -> Fraction:
        """Its length in quarters."""
        return self.beats * self.beat

    @property
    def middle(self) -> Fraction:
        """Where a bar of an even number of beats is cut for the eye; else its end."""
        return self.bar / 2 if self.beats % 2 == 0 and self.beats > 2 else self.bar


class Grid(NamedTuple):
    """A feel's grid at a tempo: `ticks` to a beat, `swing` the long half of a beat over the short one."""

    meter: Meter
    ticks: int
    swing: float


class Value(NamedTuple):
    """A piece of a note or rest: length in quarters, its type and dots, whether in a triplet."""

    start: Fraction
    length: Fraction
    kind: str
    dots: int
    triplet: bool


def meter_of(feel: Feel) -> Meter:
    """The meter that a feel is written in."""
    compound = feel.meter[1] == 8
    return Meter(feel.beats, Fraction(3, 2) if compound else Fraction(4, feel.meter[1]), compound)


def grid_of(feel: Feel, bpm: float) -> Grid:
    """The grid of a feel at a tempo in beats a minute."""
    return Grid(meter_of(feel), feel.ticks, max(1.0, feel.swing_at(bpm)))


def _written(slot: int, slots: int, compound: bool) -> Fraction:
    """A slot as a share of its beat, on paper: in twelve-eight two slots are a quarter and an eighth."""
    if compound and slots == 2:
        return Fraction(2 * slot, 3)
    if compound and slots == 4:
        return (Fraction(0), Fraction(1, 3), Fraction(2, 3), Fraction(5, 6))[slot]
    return Fraction(slot, slots)


class Bounds:
    """Where a player's notes start and end, written. BadValue for a tick in no grid.

    A beat is written in the simplest grid that all its starts and ends lie in.
    """

    def __init__(self, grid: Grid, ticks: Sequence[int]) -> None:
        """`ticks` are all starts and ends, counted from a bar line."""
        self.grid = grid
        self.triplets: set[int] = set()  # beats written in triplets
        by_beat: dict[int, set[int]] = {}
        for tick in ticks:
            by_beat.setdefault(tick // grid.ticks, set()).add(tick % grid.ticks)
        self._places: dict[int, dict[int, Fraction]] = {}
        for beat, within in by_beat.items():
            slots = next((slots for slots in self._order() if within <= set(self._slots(slots))), 0)
            if not slots:
                raise BadValue(f"ticks {sorted(within)} of a beat of {grid.ticks} lie in no grid")
            shares = (_written(slot, slots, grid.meter.compound) for slot in range(slots))
            self._places[beat] = dict(zip(self._slots(slots), shares, strict=True))
            if slots in _TRIPLETS and not grid.meter.compound:
                self.triplets.add(beat)

    def _order(self) -> tuple[int, ...]:
        # Swung, the second of four slots is the second of three: a triplet says it better.
        return (1, 2, 3, 4, 6) if self.grid.swing > 1.2 or self.grid.meter.compound else (1, 2, 4, 3, 6)

    def _slots(self, slots: int) -> tuple[int, ...]:
        return slot_ticks(slots, self.grid.ticks, self.grid.swing)

    def at(self, tick: int) -> Fraction:
        """Quarters from the bar line that ticks count from."""
        beat, within = divmod(tick, self.grid.ticks)
        return (beat + self._places[beat][within]) * self.grid.meter.beat


def split(
    meter: Meter, start: Fraction, end: Fraction, triplets: set[int], rest: bool = False
) -> list[Value]:
    """The values that fill a stretch of one bar, in order; a note's are tied.

    `triplets` are the beats of this bar (0 is the first) that are written in triplets.
    """
    length = end - start
    if length <= 0:
        return []
    in_triplet = int(start // meter.beat) in triplets
    beat_end = (start // meter.beat + 1) * meter.beat
    if in_triplet and (start % meter.beat or end < beat_end or end == beat_end):
        stop = min(end, beat_end)
        if (stop - start) * _THREE_IN_TWO in VALUES and (stop - start) < meter.beat:
            kind, dots = VALUES[(stop - start) * _THREE_IN_TWO]
            return [Value(start, stop - start, kind, dots, True), *split(meter, stop, end, triplets, rest)]
        if stop - start < meter.beat:
            cut = (
                start + meter.beat / 3
                if (start % meter.beat) % (meter.beat / 3) == 0
                else start + meter.beat / 6
            )
            return split(meter, start, cut, triplets, rest) + split(meter, cut, end, triplets, rest)
    crosses = any(start < (beat + 1) * meter.beat and end > beat * meter.beat for beat in triplets)
    if length in VALUES and not (crosses and length > meter.beat) and _reads_well(meter, start, end, rest):
        return [Value(start, length, *VALUES[length], False)]
    cut = _cut(meter, start, end)
    return split(meter, start, cut, triplets, rest) + split(meter, cut, end, triplets, rest)


def _reads_well(meter: Meter, start: Fraction, end: Fraction, rest: bool) -> bool:
    """Whether one value may stand there: it must not hide where the beats of the bar are."""
    beat, length = meter.beat, end - start
    if start == 0 and end == meter.bar:
        return True
    if start % beat == 0 and (length % beat == 0 or (not meter.compound and length == beat * 3 / 2)):
        if rest and length > beat and (start % (2 * beat) or length % (2 * beat)):
            return False
        across = start < meter.middle < end
        middle_half = not rest and not meter.compound and start == beat and length == 2 * beat
        return not across or start == 0 or middle_half
    within = start // beat == (end - Fraction(1, 1000)) // beat
    if within:
        half = beat / 2
        if rest and not meter.compound and length > half / 2:
            return start % half == 0 and length <= half
        return True
    # Eighth, quarter, eighth: the one syncopation everybody reads at sight.
    syncopated = not rest and not meter.compound and start % beat == beat / 2 and length == beat
    return syncopated and not start < meter.middle < end


def _cut(meter: Meter, start: Fraction, end: Fraction) -> Fraction:
    """Where a stretch is cut: at the strongest point inside it."""
    if start < meter.middle < end and start:
        return meter.middle
    beats = [n * meter.beat for n in range(1, meter.beats + 1) if start < n * meter.beat < end]
    if beats:
        strong = [point for point in beats if point == meter.middle]
        # From a beat on as far as whole values go; into a beat only up to it.
        return (strong or beats)[0] if start % meter.beat else (strong or beats[::-1])[0]
    unit = Fraction(1, 2)
    while True:
        points = [
            n * unit for n in range(int(start / unit) + 1, int(end / unit) + 1) if start < n * unit < end
        ]
        if points:
            return points[-1] if start % (2 * unit) == 0 else points[0]
        unit /= 2
