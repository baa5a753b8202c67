"""The bass part as it is written: bars with repeats and endings, notes with names and places.

It is taken from the plan's line on the neck, which is what the guide bass plays, and from the
count-in that the band plays, for the pickup into the first bar.
"""

from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from fractions import Fraction
from itertools import pairwise
from typing import NamedTuple

from ..music.degrees import Chord
from ..music.figure_steps import TONIC, chorus_notes
from ..music.layout import Cell, Layout
from ..music.lines import timed
from ..music.neck.bass_line import Placed
from ..music.neck.effort import Fingering, Gap
from ..music.neck.fingering import cheapest_path
from ..music.pitch import Name
from ..music.plan import Plan
from .chart import ROW
from .performance import strict_beats
from .values import Bounds, Grid, Meter, grid_of

# The name of a note by semitones above what it is counted from: letters up. A tritone is a sharp
# fourth unless the chord has a flat fifth, a minor sixth a flat one unless it has a sharp fifth.
_LETTERS = (0, 1, 1, 2, 2, 3, 3, 4, 5, 5, 6, 6)


class WrittenNote(NamedTuple):
    """A bass note: quarters from its bar line, and the MIDI key that sounds; names as in `pitch`."""

    start: Fraction
    end: Fraction
    key: int
    name: Name
    dead: bool
    string: int
    fret: int
    hand: int


class WrittenChord(NamedTuple):
    """A chord's symbol over a bar, `at` quarters from its bar line."""

    at: Fraction
    chord: Chord


@dataclass(slots=True)
class Bar:
    """A bar. `number` is the form's; 0 is a pickup, shorter than a bar. `source` says what plays it.

    `source` is `pickup`, `intro`, `form` (any chorus), `again` (not the last one), `last`. `words`
    fingering over it. `ritard` is the share of tempo lost over the bar.
    """

    number: int
    source: str
    length: Fraction
    notes: list[WrittenNote]
    chords: list[WrittenChord]
    triplets: set[int]
    words: str = ""
    repeat_starts: bool = False
    repeat_ends: bool = False
    ending: str = ""  # numbers of the passes that take it, as "1, 2"
    ending_starts: bool = False
    ending_stops: bool = False
    ritard: float = 0.0
    final: bool = False

    def without_repeats(self) -> "Bar":
        """The bar where everything is written out."""
        return replace(
            self, repeat_starts=False, repeat_ends=False, ending="", ending_starts=False, ending_stops=False
        )


@dataclass(slots=True)
class Part:
    """The whole bass part for some choruses."""

    plan: Plan
    choruses: int
    grid: Grid
    bars: list[Bar] = field(default_factory=list)

    @property
    def meter(self) -> Meter:
        """The meter it is written in."""
        return self.grid.meter


def write_part(plan: Plan, choruses: int) -> Part:
    """The bass part: pickup, intro, the chorus with its repeat, the ending."""
    part = Part(plan, choruses, grid_of(plan.feel, plan.mbpm / 1000))
    form, last = (
        _bars(part, plan.layout, plan.neck.chorus, "form"),
        _bars(part, plan.last, plan.neck.last, "last"),
    )
    if pickup := _pickup(part):
        part.bars.append(pickup)
    if plan.intro_bar:
        intro = _bars(part, plan.layout, plan.neck.chorus, "intro")[plan.intro_bar - 1 :]
        intro[0].words = "Intro"
        part.bars += intro
    parts_at = _where_the_last_parts(plan, form, last)
    if choruses == 1:
        part.bars += last
    else:
        common, again, ending = form[: parts_at - 1], form[parts_at - 1 :], last[parts_at - 1 :]
        for bar in again:
            bar.source = "again"
            bar.ending = ", ".join(map(str, range(1, choruses)))
        for bar in ending:
            bar.ending = str(choruses)
        again[0].ending_starts = ending[0].ending_starts = True
        again[-1].ending_stops = ending[-1].ending_stops = again[-1].repeat_ends = True
        form[0].repeat_starts = True
        part.bars += common + again + ending
        if plan.tune.turnaround and plan.turnaround_bar <= len(form):
            form[plan.turnaround_bar - 1].words = "Turnaround"
    last[plan.ending_bar - 1].words = "Last time" if choruses > 1 else "Ending"
    if plan.tune.ending.ritard:
        last[len(plan.layout) - 1].ritard = plan.tune.ending.ritard
    part.bars[-1].final = True
    return part


def rows(part: Part) -> list[list[Bar]]:
    """The bars in rows as a page has them: the form's first bar and the last time begin one."""
    found: list[list[Bar]] = [[]]
    for bar in part.bars:
        full = [other for other in found[-1] if other.number]
        begins = (bar.number == 1 and bar.source != "intro") or (bar.ending_starts and bar.source == "last")
        if full and (begins or len(full) == ROW):
            found.append([])
        found[-1].append(bar)
    return found


def _where_the_last_parts(plan: Plan, form: list[Bar], last: list[Bar]) -> int:
    """The first bar that the last chorus plays otherwise, at most where turnaround or ending begins."""
    most = min(plan.ending_bar, plan.turnaround_bar, len(form))
    for number, (one, other) in enumerate(zip(form[: most - 1], last, strict=False), 1):
        if [note._replace(hand=0) for note in one.notes] != [note._replace(hand=0) for note in other.notes]:
            return number
        if one.chords != other.chords:
            return number
    return most


def _bars(part: Part, layout: Layout, placed: Sequence[Placed], source: str) -> list[Bar]:
    plan, grid = part.plan, part.grid
    names = _names(plan, layout, placed)
    ends = [min(note.end, after.tick) for note, after in pairwise(placed)]
    ends.append(min(placed[-1].end, len(layout) * plan.feel.beats * grid.ticks))
    bounds = Bounds(grid, [*(note.tick for note in placed), *ends])
    notes = [
        WrittenNote(
            bounds.at(note.tick), bounds.at(end), note.key, name, note.dead, note.string, note.fret, note.hand
        )
        for note, end, name in zip(placed, ends, names, strict=True)
    ]
    bars = []
    for index, cells in enumerate(layout):
        chords = chords_of(plan, cells, part.meter)
        bars.append(
            _bar(part, index + 1, source, index * part.meter.bar, part.meter.bar, notes, chords, bounds)
        )
    return bars


def _bar(
    part: Part,
    number: int,
    source: str,
    start: Fraction,
    length: Fraction,
    notes: Sequence[WrittenNote],
    chords: list[WrittenChord],
    bounds: Bounds,
) -> Bar:
    """A bar cut out of a stretch of music; a note that is held into it from the bar before is tied."""
    beat = part.meter.beat
    first = int(start / beat)
    inside = [
        note._replace(start=note.start - start, end=note.end - start)  # before 0: held from the bar before
        for note in notes
        if start <= note.start < start + length or (note.start < start < note.end)
    ]
    triplets = {n - first for n in bounds.triplets if first <= n < first + length / beat}
    return Bar(number, source, length, inside, chords, triplets)


def chords_of(plan: Plan, cells: Sequence[Cell], meter: Meter) -> list[WrittenChord]:
    """The chords of a bar: the one it begins with and every one that comes after."""
    found: list[WrittenChord] = []
    before = None
    for beat, cell in enumerate(cells):
        for index, sound in enumerate(cell.sounding):
            if sound.chord == before:
                continue
            half = Fraction(2, 3) if meter.compound else Fraction(1, 2)
            within = half if index and sound.beat % 1 else Fraction(0)
            found.append(WrittenChord((beat + within) * meter.beat, plan.chords[sound.chord]))
            before = sound.chord
    return found


def _names(plan: Plan, layout: Layout, placed: Sequence[Placed]) -> list[Name]:
    """What each note is called, by the chord (or the key) it is counted from."""
    tail = plan.tune.ending if layout is plan.last else plan.tune.turnaround
    swing = max(1.0, plan.feel.swing_at(plan.mbpm / 1000))
    lines = chorus_notes(layout, plan.chords, plan.tune.figure, tail, plan.feel.ticks, swing, plan.neck.bends)
    return [name_of(plan, line.chord, line.semitones) for line, _ in zip(lines, placed, strict=True)]


def name_of(plan: Plan, chord: int, semitones: int) -> Name:
    """The name of a tone so many semitones above a chord's root, or above the key's tonic."""
    above = semitones % 12
    letters = _LETTERS[above]
    root = plan.key.tonic
    if chord != TONIC:
        root = plan.chords[chord].root
        own = [up for up, tone in enumerate(plan.chords[chord].intervals) if tone == above]
        tones = plan.chords[chord].tones
        if own:
            return tones[own[0]].plain()
    return root.up(letters, above - (12 if letters > 6 else 0)).plain()


def _pickup(part: Part) -> Bar | None:
    """The notes that the bass plays in the count-in, in a bar from the beat of the first of them."""
    plan, grid = part.plan, part.grid
    counted = [beat for beat in strict_beats(plan, part.choruses) if beat.counting]
    notes = [(beat, note) for beat in counted for note in beat.notes if note.part == "bass"]
    if not notes:
        return None
    begins, length = notes[0][0].tick, counted[-1].tick + grid.ticks - notes[0][0].tick
    due = [
        step for beat in timed(plan.tune.figure.line, grid.ticks, grid.swing) for step in beat if step.pickup
    ]
    bar = plan.intro_bar or 1
    lands = plan.layout[bar - 1][0].sounding[0].chord
    first = next(note for note in plan.neck.chorus if note.bar >= bar)
    starts = [note.tick - begins for _, note in notes]
    steps = due[-len(notes) :]
    ends = [start + step.end - step.tick for start, step in zip(starts, steps, strict=True)]
    ends = [min(end, then) for end, then in zip(ends, [*starts[1:], length], strict=True)]
    bounds = Bounds(grid, [*starts, *ends])
    written = []
    fingerings = _fingered(plan, [*starts, length], [note.key for _, note in notes], first)
    for (_, note), step, start, end, fingering in zip(notes, steps, starts, ends, fingerings, strict=True):
        name = name_of(plan, lands, note.key - plan.roots[lands])
        where = (fingering.string, fingering.fret, fingering.hand)
        written.append(WrittenNote(bounds.at(start), bounds.at(end), note.key, name, step.dead, *where))
    quarters = Fraction(length, grid.ticks) * part.meter.beat
    return _bar(part, 0, "pickup", Fraction(0), quarters, written, [], bounds)


def _fingered(plan: Plan, starts: Sequence[int], keys: Sequence[int], first: Placed) -> tuple[Fingering, ...]:
    """The way to play the pickup that is easiest for the hand, and ends where the line begins.

    A note is let go halfway to the next. Should the band play a pitch the instrument lacks, it
    is taken by octaves, as the line's are.
    """

    def ms(ticks: int) -> int:
        return round(ticks * 60_000_000 / (plan.mbpm * plan.feel.ticks))

    instrument = plan.neck.instrument
    gaps = [Gap(ms((then - one) // 2), ms(then - one)) for one, then in pairwise(starts)]
    near = [instrument.nearest(key) for key in (*keys, first.key)]
    end = Fingering(first.fret, first.hand, first.string)
    return cheapest_path(near, gaps, instrument, end=end).path[:-1]
