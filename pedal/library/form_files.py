"""What each kind of sequence file may say: forms, figures, turnarounds, endings.

One function a kind. It takes a checked `Table`, notes what is wrong in it and returns the
thing of `pedal.music` it describes, or None if anything was wrong. Tunes, which need other
files, are read in `library`, feels in `feel_files`. How the files look to a player
is told in the shipped ones.
"""

import re
from typing import Any, Generic, NamedTuple, TypeVar

from ..music.degrees import QUALITIES
from ..music.feels import COMP_CELLS, DRUM_CELLS, DRUM_KEYS, DrumBeat, Stab, comp_beats, drum_beats
from ..music.forms import Bar, Form, parse_bar
from ..music.grid import beat_cells
from ..music.lines import Figure, Tail, parse_line
from .toml_check import Problems, Rule, Table, Wrong, a_table, flag, number, one_of, text, texts, whole

TEMPO = (40, 260)  # beats a minute; recorded blues keep within it (GTZAN blues: 50 to 264)
MOST_BARS = 64
MOST_CHORUSES = 999  # of a tune, a step or a file: seven hours of a middling tempo, and three figures


T = TypeVar("T")


class Read(NamedTuple, Generic[T]):
    """What a file describes, and how many beats its bars have (0 where that means nothing)."""

    thing: T
    beats: int = 0


def read_form(name: str, table: Table) -> Read[Form] | None:
    """A form. None, and problems noted in the table, if anything is wrong with it."""
    checkpoint = opened(table, "form")
    title = table.get("title", text)
    beats = table.get("beats", whole(2, 6), 4)
    bars = table.each("bars", _a_bar(beats or 4))
    phrases = table.each("phrases", whole(1, MOST_BARS), (1,))
    minor = table.get("minor", flag, False)
    source = table.get("source", text, "")
    table.close()
    if bars:
        _check_bars(table, bars)
        if minor:
            _check_minor(table, bars)
    if bars and phrases:
        _check_phrases(table, phrases, len(bars))
    return None if checkpoint.broken() else Read(Form(name, title, bars, phrases, minor, source), beats)


def read_line(name: str, table: Table) -> Read[Figure] | Read[Tail] | None:
    """A figure, a turnaround or an ending, as its `kind` says. None, and problems noted, if wrong."""
    kind = table.get("kind", one_of("figure", "turnaround", "ending"))
    if kind is None:
        return None  # what else is wrong depends on it
    return _read_figure(name, table) if kind == "figure" else _read_tail(name, table, kind)


def _read_figure(name: str, table: Table) -> Read[Figure] | None:
    checkpoint = Checkpoint(table.problems)
    title = table.get("title", text)
    line = table.get("line", texts(parse_line))
    suits = table.each("suits", one_of(*QUALITIES))
    table.close()
    if line and line.steps[0].pickup:
        table.wrong("line", "begins with a pickup; something must be played on the chord itself")
    return None if checkpoint.broken() else Read(Figure(name, title, line.beats, line.steps, suits))


def _read_tail(name: str, table: Table, kind: str) -> Read[Tail] | None:
    checkpoint = Checkpoint(table.problems)
    ending = kind == "ending"
    title = table.get("title", text)
    beats = table.get("beats", whole(2, 6), 4)
    bars = table.each("bars", _a_bar(beats or 4, halves=ending))
    start = table.get("start", whole(1, MOST_BARS), len(bars or ())) if ending else len(bars or ())
    line = table.get("line", texts(parse_line))
    total = (beats or 4) * len(bars) if bars else None
    parts = tuple(range(beats or 4, total + 1, beats or 4)) if ending and total else (total,)
    comp = table.get("comp", comp_row(*parts), ())
    drums = drums_of(table, "drums", *parts) if "drums" in table else ()
    minor = table.get("minor", flag, False)
    ritard = table.get("ritard", number(0, 0.8), 0.0) if ending else 0.0
    table.close()
    if bars:
        _check_bars(table, bars)
        last = bars[-1][-1].degree
        if ending and (last.number, last.alter) != (1, 0):
            table.wrong(f"bars[{len(bars)}]", "an ending ends on the I", value=str(last))
        if minor:
            _check_minor(table, bars)
    if line and total and line.beats != total and not (ending and line.beats in parts):
        table.wrong("line", f"has {line.beats} beats, its {len(bars)} bars have {total}")
    if line and any(step.pickup for step in line.steps):
        table.wrong("line", f"has a pickup, which {'an ending' if ending else 'a turnaround'} cannot use")
    if checkpoint.broken() or total is None:
        return None
    lead = total - line.beats
    moved = tuple(
        step._replace(beat=step.beat + lead, end=step.end._replace(beat=step.end.beat + lead))
        for step in line.steps
    )
    tail = Tail(
        name=name,
        title=title,
        start=start,
        bars=bars,
        line=moved,
        comp=_ending_with(comp, total),
        drums=_ending_with(drums, total),
        minor=minor,
        ritard=ritard,
        lead=lead,
    )
    return Read(tail, beats)


def _ending_with(row: tuple[T, ...], beats: int) -> tuple[T | None, ...]:
    """A row for the last of some beats, None on those before it; nothing if there is no row."""
    return (None,) * (beats - len(row)) + row if row else ()


# ---- parts of files -------------------------------------------------------------------


class Checkpoint:
    """Remembers how many problems there were, to tell whether a file added any."""

    def __init__(self, problems: Problems) -> None:
        self._problems, self._before = problems, len(problems)

    def broken(self) -> bool:
        """Whether problems have come since."""
        return len(self._problems) > self._before


def opened(table: Table, kind: str) -> Checkpoint:
    """The start of a file, which may say its kind but need not."""
    checkpoint = Checkpoint(table.problems)
    table.get("kind", one_of(kind), kind)
    return checkpoint


def _a_bar(beats: int, halves: bool = False) -> Rule[Bar]:
    def rule(value: Any) -> Bar:
        if not isinstance(value, str):
            raise Wrong('must be a text with the chords of the bar, like "I7" or "ii7 V7"')
        return parse_bar(value, beats, halves)

    return rule


def _check_bars(table: Table, bars: tuple[Bar, ...]) -> None:
    if len(bars) > MOST_BARS:
        table.wrong("bars", f"has {len(bars)} bars; at most {MOST_BARS} are allowed", value=len(bars))
    if bars[0][0].passing:
        # The lamps show the chord that a passing one passes from; here there is none.
        table.wrong("bars[1]", "the first chord cannot be a passing one")


def _check_minor(table: Table, bars: tuple[Bar, ...]) -> None:
    for number_, bar in enumerate(bars, 1):
        for span in bar:
            if span.degree.lamp == "V" and span.degree.quality in ("9", "13"):
                rule = "V in a minor key is plain, 7, 7b9 or 7b13: natural 9 and 13 are not in the key"
                table.wrong(f"bars[{number_}]", rule, value=str(span.degree))


def _check_phrases(table: Table, phrases: tuple[int, ...], bars: int) -> None:
    if phrases[0] != 1:
        table.wrong("phrases", "the first phrase starts at bar 1", value=list(phrases))
    if list(phrases) != sorted(set(phrases)):
        table.wrong("phrases", "must rise from bar to bar", value=list(phrases))
    for number_, bar in enumerate(phrases, 1):
        if bar > bars:
            table.wrong(f"phrases[{number_}]", f"is outside the form, which has {bars} bars", value=bar)


def comp_row(*beats: int | None) -> Rule[tuple[tuple[Stab, ...], ...]]:
    """A row of chords, as long as one of `beats` (None: any)."""

    def rule(value: Any) -> tuple[tuple[Stab, ...], ...]:
        row = _cells(value, COMP_CELLS, beats)
        joined = "".join(row)
        if re.search("(^|-)=", joined):
            raise Wrong("= has no chord before it to hold")
        if any("a" in cells[: (len(cells) + 1) // 2] for cells in row):
            raise Wrong("a, a chord ahead of its beat, belongs in the second half of the beat before")
        return comp_beats(row)

    return rule


def _cells(value: Any, cells: str, beats: tuple[int | None, ...]) -> list[str]:
    """A grid row as long as one of `beats`; the last of them is the usual length, None any."""
    row = beat_cells(text(value), cells)
    return row if len(row) in beats else beat_cells(value, cells, beats[-1])


def drums_of(within: Table, key: str, *beats: int | None) -> tuple[DrumBeat, ...]:
    """The rows of drums in a table, as long as each other and as one of `beats` (None: any).

    Empty, and a problem noted, if they are missing or wrong.
    """
    if key not in within:
        within.get(key, a_table)  # notes that it is missing
        return ()
    return drum_rows(within.table(key), *beats)


def drum_rows(table: Table, *beats: int | None) -> tuple[DrumBeat, ...]:
    """The same for a table that is there."""
    checkpoint = Checkpoint(table.problems)
    found = {drum: table.get(drum, _drum_row(beats), None) for drum in DRUM_KEYS}
    rows = {drum: row for drum, row in found.items() if row}
    table.close("unknown drum")
    if not table.values:
        table.wrong((), "needs the row of at least one drum")
    if checkpoint.broken():
        return ()
    if len({len(row) for row in rows.values()}) > 1:
        table.wrong((), "its rows differ in length")
        return ()
    return drum_beats(rows)


def _drum_row(beats: tuple[int | None, ...]) -> Rule[list[str]]:
    return lambda value: _cells(value, DRUM_CELLS, beats)
