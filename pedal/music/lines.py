"""Bass lines written as degrees: figures, turnarounds and endings.

A line is written in beats of words, `|` between beats: `1 x1 | >5, >b7,`. A word is a degree
of the chord (of the key, in turnarounds and endings) counted on the major scale, with `'` for
an octave up and `,` for an octave down; `x` before it makes a dead note, `>` a pickup, which
belongs to the chord that sounds where the figure next starts; `c3`, `c5`, `c7` are the chord's
own third, fifth and seventh, whatever its quality. `-` is silence and `=` holds.
"""

import re
from dataclasses import dataclass
from functools import cache
from typing import NamedTuple

from .feels import DrumBeat, Stab
from .forms import Bar
from .grid import SLOTS, slot_ticks, split_beats
from .pitch import NATURALS, alteration


class GridPoint(NamedTuple):
    """A point in a line: slot `slot` of `slots` in beat `beat`, all but `slots` from 0."""

    beat: int
    slot: int
    slots: int


class Step(NamedTuple):
    """A note of a line: from slot `slot` of `slots` in beat `beat` to the end point.

    `semitones` is the distance from the root (or tonic), an octave included. `own` is 3, 5 or 7
    for the chord's own third, fifth or seventh, whose `semitones` are those in a plain 7 (add
    `Degree.own` for the chord at hand); else 0.
    """

    beat: int
    slot: int
    slots: int
    end: GridPoint
    semitones: int
    degree: str
    dead: bool
    pickup: bool
    own: int = 0


Line = tuple[Step, ...]


class Timed(NamedTuple):
    """A step in ticks from the start of its beat; `nth` is its number in the line, from 0."""

    tick: int
    end: int
    semitones: int
    dead: bool
    pickup: bool
    nth: int = 0
    own: int = 0


@dataclass(frozen=True, slots=True)
class Figure:
    """What the bass repeats on a chord. `beats` long; `suits` names chord qualities."""

    name: str
    title: str
    beats: int
    line: Line
    suits: tuple[str, ...]

    @property
    def pickup_beats(self) -> int:
        """Beats at the end, whole, that hold the pickup; 0 if there is none."""
        starts = [step.beat for step in self.line if step.pickup]
        return self.beats - min(starts) if starts else 0

    @property
    def lowest(self) -> int:
        """Semitones of the lowest note from the root; at most 0."""
        return min(0, *(step.semitones - bool(step.own) for step in self.line))


@dataclass(frozen=True, slots=True)
class Tail:
    """A turnaround or an ending: bars in the form's last ones' stead.

    It starts `start` bars before the form's end and may run past it. `line` counts from the
    tonic; it starts `lead` beats into the tail, and until then the figure goes on. `comp` and
    `drums` hold a beat each, None where the feel's own serves, or are empty. `ritard` is the
    share of tempo lost over the last bar.
    """

    name: str
    title: str
    start: int
    bars: tuple[Bar, ...]
    line: Line
    comp: tuple[tuple[Stab, ...] | None, ...] = ()
    drums: tuple[DrumBeat | None, ...] = ()
    minor: bool = False
    ritard: float = 0.0
    lead: int = 0


_WORD = re.compile(r"(>?)(x?)(c(?=[357])|[b♭#♯]*)([1-9]|1[0-3])([',]*)")


class DegreeWord(NamedTuple):
    """A word of a line, as read. The fields are those of `Step`."""

    semitones: int
    degree: str
    dead: bool
    pickup: bool
    own: int


def parse_degree_word(word: str) -> DegreeWord:
    """Read `>b7,`. ValueError if it is no word of a line."""
    match = _WORD.fullmatch(word)
    if not match:
        raise ValueError(
            f"{word!r} is not a step (a degree like 1, b7, 5, or 1'; c3, c5, c7 for the chord's own; "
            "before it x for a dead note, > for a pickup; - is silence, = holds)"
        )
    pickup, dead, signs, number, octaves = match.groups()
    own = int(number) if signs == "c" else 0
    if own:
        signs = "b" if own == 7 else ""
    number = int(number) - 1
    octave = octaves.count("'") - octaves.count(",") + number // 7
    semitones = NATURALS[number % 7] + alteration(signs) + 12 * octave
    return DegreeWord(semitones, signs + str(number + 1), bool(dead), bool(pickup), own)


class ParsedLine(NamedTuple):
    """A line as read: how many beats it has, and its steps."""

    beats: int
    steps: Line


def parse_line(text: str) -> ParsedLine:
    """Read a line like `1 x1 | >5, >b7,`. ValueError says which word is wrong and why."""
    cells: list[tuple[int, int, int, str]] = []
    beats = split_beats(text)
    for beat, row in enumerate(beats):
        words = row.split()
        if len(words) not in SLOTS:
            raise ValueError(f"{text!r}: beat {beat + 1} has {len(words)} steps; allowed are 1, 2, 3, 4 or 6")
        cells += [(beat, slot, len(words), word) for slot, word in enumerate(words)]
    steps: list[Step] = []
    for index, (beat, slot, slots, word) in enumerate(cells):
        if word == "=" and (index == 0 or cells[index - 1][3] == "-"):
            raise ValueError(f"{text!r}: = in beat {beat + 1} has no note before it to hold")
        if word in "-=":
            continue
        after = index + 1
        while after < len(cells) and cells[after][3] == "=":
            after += 1
        end = GridPoint(*cells[after][:3]) if after < len(cells) else GridPoint(len(beats), 0, 1)
        read = parse_degree_word(word)
        if steps and steps[-1].pickup and not read.pickup:
            raise ValueError(f"{text!r}: {word!r} follows a pickup; pickups come last")
        steps.append(Step(beat, slot, slots, end, *read))
    if not steps:
        raise ValueError(f"{text!r} has no note")
    return ParsedLine(len(beats), tuple(steps))


@cache
def timed(line: Line, ticks: int, swing: float) -> tuple[tuple[Timed, ...], ...]:
    """The steps of a line by beat, in ticks from the start of their beat, which has `ticks`."""
    beats: list[list[Timed]] = []
    for index, step in enumerate(line):
        while len(beats) <= step.beat:
            beats.append([])
        start = slot_ticks(step.slots, ticks, swing)[step.slot]
        beat, slot, slots = step.end
        end = (beat - step.beat) * ticks + slot_ticks(slots, ticks, swing)[slot]
        beats[step.beat].append(Timed(start, end, step.semitones, step.dead, step.pickup, index, step.own))
    return tuple(tuple(beat) for beat in beats)
