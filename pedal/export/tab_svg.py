"""The tab as a drawing: the part of `written` in rows of four bars, with its rhythm under the strings.

Frets stand where their notes start, to scale in time; a cross is a dead note. Over the strings
is where the hand is: the fret of the first finger, at the start of a row and where it moves.
Under them stems and beams say how long: a note without a stem is a whole, a short stem a half.
"""

from collections.abc import Callable
from fractions import Fraction
from itertools import pairwise

from ..music.plan import Plan
from .chart import ROW
from .musicxml import BEAMS, Piece, Sounded, beams, filled
from .svg import (
    WIDTH,
    bar_line,
    bold_width,
    box,
    bracket,
    curve,
    disc,
    drawing,
    figure_width,
    line,
    path,
    side_by_side,
    text,
)
from .values import Value
from .written import Bar, Part, WrittenNote, rows, write_part

_LEFT = 5.0  # room for the strings' names
_STRING = 3.0  # from one to the next
_PICKUP = Fraction(3, 10)  # the least share of a bar's width that a short one gets
_CHORDS, _HAND = 9.5, 5.2  # over the top string
_STEM, _STEM_TOP = 6.5, 2.2  # under the lowest string: where stems end and begin
_FRET, _LEAST_FRET = 3.3, 2.2
_STEP = 11.5  # from the lowest string to the next row's top


def tab_svg(plan: Plan, choruses: int) -> str:
    """The whole drawing."""
    part = write_part(plan, choruses)
    strings = len(plan.neck.instrument.tuning)
    parts: list[str] = []
    y = 1.0
    for row in rows(part):
        y += 4.4 if any(bar.ending or bar.words for bar in row) else 0
        top = y + _CHORDS
        parts += _row(part, row, top)
        y = top + (strings - 1) * _STRING + _STEP
    return drawing(f"{plan.tune.title} in {plan.key}: bass tab", WIDTH, y - 2, parts)


def _row(part: Part, row: list[Bar], top: float) -> list[str]:
    instrument = part.plan.neck.instrument
    bottom = top + (len(instrument.tuning) - 1) * _STRING
    shares = [max(_PICKUP, bar.length / part.meter.bar) if bar.number == 0 else Fraction(1) for bar in row]
    full = sum(shares) if len([bar for bar in row if bar.number]) == ROW else max(sum(shares), Fraction(ROW))
    parts = []
    for index, name in enumerate(instrument.string_names):
        parts.append(text(_LEFT - 1.2, top + index * _STRING + 1, name, 2.7, anchor="end"))
    x = _LEFT
    hand = 0  # each row says again where the hand is
    ends = _LEFT + float(sum(shares) / full) * (WIDTH - _LEFT)
    for index in range(len(instrument.tuning)):
        parts.append(line(_LEFT, top + index * _STRING, ends, top + index * _STRING, 0.15))
    for bar, share in zip(row, shares, strict=True):
        width = float(share / full) * (WIDTH - _LEFT)
        drawn, hand = _bar(part, bar, x, width, top, bottom, hand)
        parts += drawn
        starts = "start" if bar.repeat_starts else ""
        if bar is row[0] or starts:
            parts += bar_line(x, top, bottom, starts)
        parts += bar_line(x + width, top, bottom, "end" if bar.repeat_ends else "final" if bar.final else "")
        if bar.ending:
            label = f"{bar.ending}. {bar.words}" if bar.ending_starts else bar.words
            parts += _ending(x, width, top - _CHORDS - 4.2, label, bar)
        elif bar.words:
            parts.append(text(x + 1, top - _CHORDS - 1.2, bar.words, 2.9, weight="bold"))
        x += width
    return parts


def _ending(x: float, width: float, y: float, label: str, bar: Bar) -> list[str]:
    if bar.ending_starts:
        return bracket(x, x + width, y, label, bar.ending_stops)
    parts = [path([(x, y), (x + width, y)] + ([(x + width, y + 3)] if bar.ending_stops else []), 0.25)]
    return [*parts, text(x + 1, y + 2.9, label, 2.9)] if label else parts


def _bar(
    part: Part, bar: Bar, x: float, width: float, top: float, bottom: float, hand: int
) -> tuple[list[str], int]:
    margin = 5.0 if bar.repeat_starts else 3.2
    inner = width - margin - 1.6
    number = bar.length

    def at(quarters: Fraction) -> float:
        return x + margin + float(quarters / number) * inner

    parts = []
    symbols = [chord.chord.symbol for chord in bar.chords]
    where = [at(chord.at) - 1 for chord in bar.chords]
    scale, places = side_by_side([bold_width(symbol, 4.0) for symbol in symbols], where, x + width)
    for symbol, place in zip(symbols, places, strict=True):
        parts.append(text(place, top - 6.2, symbol, 4.0 * scale, weight="bold"))
    sounded = [Sounded(note.start, note.end, note) for note in bar.notes]
    pieces = filled(part.meter, sounded, bar.length, bar.triplets)
    size = _fret_size(bar, at)
    for value, one, before, _ in pieces:
        if not one:
            continue
        note, here = one.what, at(value.start)
        if before:
            continue  # a tied note is not struck again: its stem says that it lasts
        if note.hand != hand:
            hand = note.hand
            parts.append(
                text(here - 1, top - 2.6, f"hand {hand}" if note is bar.notes[0] else str(hand), 2.5)
            )
        fret, y = str(note.fret), top + (note.string - 1) * _STRING
        half = figure_width("x" if note.dead else fret, size) / 2 - 0.1
        parts.append(box(here - half - 0.1, y - 1.2, 2 * half + 0.2, 2.4, "white"))
        if note.dead:
            parts += [path([(here - 1, y + s), (here + 1, y - s)], 0.45) for s in (-1, 1)]
        else:
            parts.append(text(here, y + 1.2, fret, size, anchor="middle", weight="bold"))
    return parts + _rhythm(part, pieces, at, bottom), hand


def _fret_size(bar: Bar, at: Callable[[Fraction], float]) -> float:
    """As large as lets no two numbers of a bar touch that are neighbours on a string."""
    size = _FRET
    for one, other in pairwise(bar.notes):
        if one.string == other.string:
            wide = sum(figure_width("x" if note.dead else str(note.fret), 0.5) for note in (one, other))
            size = min(size, (at(other.start) - at(one.start) - 0.3) / wide)
    return max(size, _LEAST_FRET)


def _rhythm(
    part: Part, pieces: list[Piece[WrittenNote]], at: Callable[[Fraction], float], bottom: float
) -> list[str]:
    """Stems, beams, flags, dots, rests and ties under the strings."""
    beamed = beams(part.meter, pieces)
    begin, foot = bottom + _STEM_TOP, bottom + _STEM
    parts = []
    for index, (value, one, _, after) in enumerate(pieces):
        here = at(value.start)
        if one is None:
            parts += _rest(value, here, begin + 1.4)
            continue
        if value.kind != "whole":
            parts.append(line(here, foot - 1.6 if value.kind == "half" else begin, here, foot, 0.3))
        else:
            parts.append(path([(here - 0.8, foot), (here + 0.8, foot)], 0.3))
        if value.dots:
            parts.append(disc(here + 1.3, foot - 2.2, 0.35))
        levels = BEAMS.get(value.kind, 0)
        for level in range(levels):
            y = foot - 1.1 * level
            role = beamed[index][level] if level < len(beamed[index]) else ""
            if role in ("begin", "continue"):
                parts.append(box(here - 0.15, y - 0.35, at(pieces[index + 1].value.start) - here + 0.3, 0.7))
            elif role == "backward hook":
                parts.append(box(here - 1.4, y - 0.35, 1.4, 0.7))
            elif role == "forward hook":
                parts.append(box(here, y - 0.35, 1.4, 0.7))
            elif not role:
                parts.append(path([(here, y), (here + 1.3, y - 1.1), (here + 1.2, y - 2)], 0.4))
        if after and index + 1 < len(pieces):
            there = at(pieces[index + 1].value.start)
            low = (here + there) / 2, begin + 2.2
            parts.append(curve((here + 0.6, begin + 0.6), low, (there - 0.4, begin + 0.6)))
        if value.triplet and value.start % part.meter.beat == 0:
            parts.append(text(here + 2, foot + 2.6, "3", 2.4))
    return parts


def _rest(value: Value, x: float, y: float) -> list[str]:
    """The signs for silence, simply drawn."""
    dots = [disc(x + 1.5, y - 0.4, 0.35)] if value.dots else []
    if value.kind in ("whole", "half"):
        hangs = value.kind == "whole"
        return [*dots, line(x - 1.3, y, x + 1.3, y, 0.2), box(x - 0.8, y if hangs else y - 0.8, 1.6, 0.8)]
    if value.kind == "quarter":
        points = [(-0.5, -1.7), (0.5, -0.6), (-0.3, 0.2), (0.6, 1.2), (-0.3, 1), (0.2, 1.9)]
        return [*dots, path([(x + dx, y + dy) for dx, dy in points], 0.45)]
    hooks = BEAMS[value.kind]
    parts = [*dots, path([(x + 0.7, y - 1.4), (x - 0.2, y + 1.8)], 0.3)]
    for hook in range(hooks):
        parts += [
            disc(x - 0.6, y - 1 + hook, 0.4),
            path([(x - 0.6, y - 0.9 + hook), (x + 0.6, y - 1.2 + hook)], 0.3),
        ]
    return parts
