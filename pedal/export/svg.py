"""The few things that drawings are made of. Lengths are the drawing's units; black unless said."""

from collections.abc import Iterable, Sequence
from html import escape

WIDTH = 186.0  # mm: what is between the margins on A4, and fits on Letter
FONT = "'DejaVu Sans', 'Noto Sans', Arial, sans-serif"
_SCALES = (1.0, 0.9, 0.8, 0.7, 0.6)
_GAP = 1.0  # between words beside each other
# Widths over the font's size, of DejaVu Sans Bold (read from the font); others are hardly wider.
_BOLD = {"m": 1.04, "D": 0.83, "G": 0.82, "♯": 0.48, "♭": 0.47} | dict.fromkeys("0123456789oø", 0.7)
_LETTER = 0.62  # width of a letter over the font's size, about
_FIGURE = 0.7  # of a bold figure


Point = tuple[float, float]  # x to the right, y down


def drawing(title: str, width: float, height: float, parts: Iterable[str], unit: str = "mm") -> str:
    """A whole SVG element, `width` by `height` of a unit of CSS; without a unit they are pixels."""
    return "\n".join(
        [
            f'<svg xmlns="http://www.w3.org/2000/svg" width="{width:g}{unit}" height="{height:g}{unit}" '
            f'viewBox="0 0 {width:g} {height:g}" role="img" font-family="{FONT}" fill="black">',
            f"<title>{escape(title)}</title>",
            *parts,
            "</svg>",
            "",
        ]
    )


def text(x: float, y: float, words: str, size: float, **style: object) -> str:
    """Words on a base line. `anchor` is start (the default), middle or end; the rest as in SVG."""
    named = {"anchor": "text-anchor", "weight": "font-weight", "style": "font-style"}
    more = "".join(f' {named.get(key, key)}="{escape(str(value))}"' for key, value in style.items())
    return f'<text x="{x:.2f}" y="{y:.2f}" font-size="{size:.2f}"{more}>{escape(words)}</text>'


def line(x1: float, y1: float, x2: float, y2: float, width: float = 0.2) -> str:
    """A straight stroke."""
    return (
        f'<line x1="{x1:.2f}" y1="{y1:.2f}" x2="{x2:.2f}" y2="{y2:.2f}" '
        f'stroke="black" stroke-width="{width:g}"/>'
    )


def path(points: Sequence[Point], width: float = 0.3, dash: str = "", colour: str = "black") -> str:
    """A stroke through some points; `dash` as in SVG: lengths of ink and gap."""
    dashes = f' stroke-dasharray="{dash}"' if dash else ""
    look = f'fill="none" stroke="{colour}" stroke-width="{width:g}"{dashes}'
    return f'<polyline points="{_steps(points)}" {look}/>'


def curve(start: Point, towards: Point, end: Point, width: float = 0.3) -> str:
    """A stroke that leaves and arrives pointing at a third place."""
    (x1, y1), (x2, y2), (x3, y3) = start, towards, end
    steps = f"M{x1:.2f},{y1:.2f} Q{x2:.2f},{y2:.2f} {x3:.2f},{y3:.2f}"
    return f'<path d="{steps}" fill="none" stroke="black" stroke-width="{width:g}"/>'


def shape(corners: Sequence[Point], fill: str = "black", rim: float = 0) -> str:
    """What lies within some corners; a `rim` is as wide as that, black, on the edge."""
    return f'<polygon points="{_steps(corners)}" fill="{fill}"{_rim(rim)}/>'


def box(x: float, y: float, width: float, height: float, fill: str = "black") -> str:
    """A rectangle from its upper left corner."""
    return f'<rect x="{x:.2f}" y="{y:.2f}" width="{width:.2f}" height="{height:.2f}" fill="{fill}"/>'


def disc(x: float, y: float, radius: float, fill: str = "black", rim: float = 0) -> str:
    """A full circle about its middle; a `rim` is as wide as that, black, on the edge."""
    return f'<circle cx="{x:.2f}" cy="{y:.2f}" r="{radius:g}" fill="{fill}"{_rim(rim)}/>'


def bar_line(x: float, top: float, bottom: float, kind: str = "") -> list[str]:
    """A bar line: plain, `start` and `end` of a repeat, or `final`."""
    if not kind:
        return [line(x, top, x, bottom, 0.35)]
    thick, thin, dots = {"start": (0.5, 1.5, 2.4), "end": (-0.5, -1.5, -2.4), "final": (-0.5, -1.5, 0)}[kind]
    parts = [line(x + thick, top, x + thick, bottom, 0.9), line(x + thin, top, x + thin, bottom, 0.3)]
    if dots:
        middle, apart = (top + bottom) / 2, (bottom - top) / 6
        parts += [disc(x + dots, middle - apart, 0.45), disc(x + dots, middle + apart, 0.45)]
    return parts


def bracket(x1: float, x2: float, y: float, words: str, closed: bool = True) -> list[str]:
    """What stands over an ending."""
    points = [(x1, y + 3), (x1, y), (x2, y)] + ([(x2, y + 3)] if closed else [])
    label = [text(x1 + 1, y + 2.9, words, 2.9)] if words else []
    return [path(points, 0.25), *label]


def fitting(words: str, size: float, width: float) -> float:
    """A font size, at most `size`, at which words are no wider than that."""
    return min(size, width / (_LETTER * max(1, len(words))))


def bold_width(words: str, size: float) -> float:
    """How wide a chord's name is, in bold letters."""
    return size * sum(_BOLD.get(letter, 0.77) for letter in words)


def side_by_side(widths: Sequence[float], where: Sequence[float], end: float) -> tuple[float, list[float]]:
    """At which scale, and where, words stand beside each other: further right than `where` if they must."""
    scale, places = 1.0, list(where)
    for scale in _SCALES:
        free, places = where[0] if where else 0.0, []
        for wide, at in zip(widths, where, strict=True):
            places.append(max(at, free))
            free = places[-1] + scale * wide + _GAP
        if free - _GAP <= end:
            break
    return scale, places


def figure_width(figures: str, size: float) -> float:
    """How wide bold figures are."""
    return _FIGURE * size * len(figures)


def _steps(points: Sequence[Point]) -> str:
    return " ".join(f"{x:.2f},{y:.2f}" for x, y in points)


def _rim(width: float) -> str:
    return f' stroke="black" stroke-width="{width:g}"' if width else ""
