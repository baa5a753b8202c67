"""The chart as a drawing: rows of four bars, degrees under the chords, repeat and turnaround marked."""

from fractions import Fraction

from ..music.layout import Layout
from ..music.plan import Plan
from .chart import ROW, intro_words
from .svg import WIDTH, bar_line, bold_width, bracket, disc, drawing, fitting, side_by_side, text
from .values import meter_of
from .written import chords_of

_LEFT = 9.0  # room for the number of a row's first bar
_BAR = (WIDTH - _LEFT - 1) / ROW
_HEAD, _STEP, _BRACKET = 15.0, 15.5, 5.0
_CHORD, _DEGREE, _SMALL = 6.2, 3.7, 2.9
_ABOVE = 6.6  # from the top of a row's bar lines to the chords' base line
_TALL = 12.0  # of a bar line


def chart_svg(plan: Plan, choruses: int, head: str = "", titled: bool = True) -> str:
    """The whole drawing; `head` says for whom it is transposed."""
    tune = plan.tune
    parts: list[str] = []
    y = 1.0
    if titled:
        meter = "/".join(map(str, plan.feel.meter))
        parts.append(text(0, 6, tune.title, 6.5, weight="bold"))
        where = f"in {plan.key} · {meter} · {plan.mbpm / 1000:g} beats a minute · {plan.feel.title}"
        where += f" · {intro}" if (intro := intro_words(plan)) else ""
        parts.append(text(0, 11.5, where, 3.5))
        if head:
            parts.append(text(WIDTH, 6, head, fitting(head, 3.5, WIDTH * 0.55), anchor="end"))
        y = _HEAD
    ending = 1  # the first bar of what is played the last time
    if choruses > 1:
        rows, y = _rows(plan, plan.layout, 1, y, choruses)
        parts += rows
        ending = plan.ending_bar
    rows, y = _rows(plan, plan.last[ending - 1 :], ending, y, 0)
    parts += rows
    return drawing(f"{tune.title} in {plan.key}", WIDTH, y + 0.5, parts)


def _rows(plan: Plan, bars: Layout, first: int, y: float, choruses: int) -> tuple[list[str], float]:
    """Rows of the chorus, or of the last time (`choruses` is 0); where the next begins."""
    last_time = choruses == 0
    tail = plan.ending_bar if last_time else plan.turnaround_bar
    end = first + len(bars) - 1
    parts: list[str] = []
    for start in range(first, end + 1, ROW):
        numbers = range(start, min(start + ROW, end + 1))
        marked = [number for number in numbers if number >= tail]
        if marked:
            y += _BRACKET
            label = ""
            if marked[0] == tail:
                label = _ending(plan, first) if last_time else _turnaround(plan)
            x1, x2 = (_LEFT + (number - start) * _BAR for number in (marked[0], marked[-1] + 1))
            size_fits = fitting(label, _SMALL, x2 - x1 - 2) >= _SMALL * 0.8
            parts += bracket(x1, x2, y - 4, label if size_fits else label.split(":")[0], marked[-1] == end)
        top, bottom = y, y + _TALL
        parts.append(text(_LEFT - 2.5, top + _ABOVE, str(start), 3.2, anchor="end"))
        for number in numbers:
            x = _LEFT + (number - start) * _BAR
            parts += _bar(plan, bars, number - first, x, top)
            begins = number == 1 and not last_time
            if number == start:
                parts += bar_line(x, top, bottom, "start" if begins else "")
            closes = ("final" if last_time else "end") if number == end else ""
            parts += bar_line(x + _BAR, top, bottom, closes)
        if number == end and not last_time:
            parts.append(
                text(WIDTH, bottom + 3.2, f"{_times(choruses - 1)}, then the last time", _SMALL, anchor="end")
            )
            y += 3
        y += _STEP
    return parts, y


def _times(count: int) -> str:
    return {1: "once", 2: "twice"}.get(count, f"{count} times")


def _ending(plan: Plan, first: int) -> str:
    return f"{'Last time' if first > 1 else 'Ending'}: {plan.tune.ending.title}"


def _turnaround(plan: Plan) -> str:
    assert plan.tune.turnaround
    return f"Turnaround: {plan.tune.turnaround.title}"


def _bar(plan: Plan, bars: Layout, index: int, x: float, top: float) -> list[str]:
    meter = meter_of(plan.feel)
    chords = chords_of(plan, bars[index], meter)
    inner = _BAR - 5
    words = [(chord.chord.symbol, str(chord.chord.degree)) for chord in chords]
    where = [x + 3.2 + float(chord.at / meter.bar) * inner for chord in chords]
    wide = [max(bold_width(symbol, _CHORD), bold_width(degree, _DEGREE)) for symbol, degree in words]
    scale, places = side_by_side(wide, where, x + _BAR - 1)
    parts = []
    for at, (symbol, degree) in zip(places, words, strict=True):
        parts.append(text(at, top + _ABOVE, symbol, _CHORD * scale, weight="bold"))
        parts.append(text(at, top + _ABOVE + 4.3, degree, _DEGREE * scale))
    if len(chords) > 1:  # where in the bar they come
        for beat in range(meter.beats):
            at = x + 3.2 + float(Fraction(beat) * meter.beat / meter.bar) * inner
            parts.append(disc(at + 0.4, top + _TALL + 0.2, 0.3))
    return parts
