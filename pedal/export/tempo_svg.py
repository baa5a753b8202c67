"""Clean tempo over time as an SVG: a panel for each tune and key, a line for each transition.

It is read in black and white: lines differ by their marks and dashes, and each has its name at
its end.
"""

from collections.abc import Sequence
from datetime import date

from ..practice_log.clean import DrilledChange, best_by_day
from ..practice_log.store import Repetition
from .svg import Point, box, disc, drawing, path, shape, text

# Lengths are pixels of CSS.
_WIDTH, _PANEL, _HEAD = 760, 300, 34
_LEFT, _RIGHT, _TOP, _BOTTOM = 52, 84, 34, 34  # margins within a panel
_DASHES = ("", "7 3", "2 3", "9 3 2 3", "14 4", "4 2 4 6")
_LABEL_GAP = 13
_WORDS, _HEADING, _DATE = 12, 15, 11  # sizes of letters
_RIM = 1.2  # of a mark
_CORNERS: tuple[tuple[Point, ...], ...] = (  # of the marks; a circle has none
    (),
    ((-3.5, -3.5), (3.5, -3.5), (3.5, 3.5), (-3.5, 3.5)),
    ((0, -4.5), (4.2, 3.5), (-4.2, 3.5)),
    ((0, -5), (5, 0), (0, 5), (-5, 0)),
)
_DATES = 6  # as many on the axis, at most


def tempo_svg(repetitions: Sequence[Repetition]) -> str:
    """The whole drawing. Days without a clean tempo have no mark."""
    best = best_by_day(repetitions)
    panels: dict[tuple[str, str], dict[DrilledChange, dict[str, int]]] = {}
    for transition in sorted(best):
        panels.setdefault((transition.tune, transition.key), {})[transition] = best[transition]
    height = _HEAD + _PANEL * max(1, len(panels))
    parts = [
        box(0, 0, _WIDTH, height, "white"),
        text(_LEFT, 22, "Clean tempo over time (three clean repetitions in a row)", _HEADING),
    ]
    if not panels:
        parts.append(text(_LEFT, _HEAD + 40, "No tempo has been clean yet.", _WORDS))
    for number, ((tune, key), lines) in enumerate(panels.items()):
        parts += _panel(f"{tune} in {key}", lines, _HEAD + number * _PANEL)
    return drawing("Clean tempo over time", _WIDTH, height, parts, unit="")


def _panel(title: str, lines: dict[DrilledChange, dict[str, int]], top: int) -> list[str]:
    days = sorted({date.fromisoformat(day) for points in lines.values() for day in points})
    tempos = [mbpm / 1000 for points in lines.values() for mbpm in points.values()]
    low, high, step = _scale(min(tempos), max(tempos))
    left, right = _LEFT, _WIDTH - _RIGHT
    above, below = top + _TOP, top + _PANEL - _BOTTOM
    span = max(1, (days[-1] - days[0]).days)

    def x(day: date) -> float:
        return (left + right) / 2 if len(days) == 1 else left + (right - left) * (day - days[0]).days / span

    def y(bpm: float) -> float:
        return below - (below - above) * (bpm - low) / (high - low)

    parts = [text(left, top + 20, f"{title}, beats a minute", _WORDS, weight="bold")]
    for bpm in range(low, high + 1, step):
        parts.append(path([(left, y(bpm)), (right, y(bpm))], 0.5, colour="#bbb"))
        parts.append(text(left - 6, y(bpm) + 4, str(bpm), _WORDS, anchor="end"))
    for day in _some(days):
        parts.append(path([(x(day), below), (x(day), below + 4)], 1))
        parts.append(text(x(day), below + 18, day.isoformat(), _DATE, anchor="middle"))
    labels = []
    for number, (transition, points) in enumerate(lines.items()):
        marks = [(x(date.fromisoformat(day)), y(points[day] / 1000)) for day in sorted(points)]
        if len(marks) > 1:
            parts.append(path(marks, 1.5, _DASHES[number % len(_DASHES)]))
        parts += [_mark(number, *point) for point in marks]
        labels.append((marks[-1][1], number, f"bar {transition.change}"))
    return parts + _labels(labels, right + 16, below)


def _scale(least: float, most: float) -> tuple[int, int, int]:
    """A range of whole steps around the tempos: low, high, step."""
    step = next(step for step in (2, 5, 10, 20, 50) if (most - least) / step <= 6)
    low = int(least // step) * step
    high = -int(-most // step) * step
    return (low - step, high + step, step) if low == high else (low, high, step)


def _some(days: list[date]) -> list[date]:
    """The first, the last, and some between that leave room for each other."""
    if len(days) <= 2:
        return days
    gap = (days[-1] - days[0]).days / (_DATES - 1)
    kept = [days[0]]
    for day in days[1:-1]:
        if (day - kept[-1]).days >= gap and (days[-1] - day).days >= gap:
            kept.append(day)
    return [*kept, days[-1]]


def _labels(labels: list[tuple[float, int, str]], x: float, below: float) -> list[str]:
    """Names at the ends of the lines, moved apart where they would cover each other."""
    labels = sorted(labels)
    heights: list[float] = []
    for y, *_ in labels:
        heights.append(max(y, heights[-1] + _LABEL_GAP) if heights else y)
    for back in range(len(heights)):  # up again from the lower end
        n = len(heights) - 1 - back
        heights[n] = min(heights[n], below - back * _LABEL_GAP)
    parts = []
    for y, (_, number, name) in zip(heights, labels, strict=True):
        parts += [_mark(number, x, y), text(x + 9, y + 4, name, _WORDS)]
    return parts


def _mark(number: int, x: float, y: float) -> str:
    """Circle, square, triangle, diamond: filled, then open."""
    fill = "black" if number % 8 < 4 else "white"
    corners = _CORNERS[number % 4]
    if not corners:
        return disc(x, y, 4, fill, _RIM)
    return shape([(x + dx, y + dy) for dx, dy in corners], fill, _RIM)
