"""The sheet: one page of HTML that prints on one or two pages of A4 or Letter, black on white.

Page one has the chart and the notation, page two the tab, the neck and the changes; without an
engraver the tab comes up to page one. Everything is inside the file. Heights are known in
millimetres, and what would not fit is made smaller by as much.
"""

import re
from collections.abc import Sequence
from html import escape
from typing import NamedTuple

from ..music.neck.transitions import Transition
from ..music.pickups import PICKUPS
from ..music.plan import Plan
from .chart import intro_words
from .chart_svg import chart_svg
from .engrave import NoEngraver, engraved
from .neck_svg import neck_svg
from .notation import bass_notation
from .svg import WIDTH, fitting
from .tab_svg import tab_svg

PAGE = 252.0  # mm of height that A4 and Letter both have between these margins, and some air
_HEAD, _TITLE = 17.0, 7.5  # the tune's title; a block's
_LINE, _CHANGES = 4.3, 8  # a line of text; as many changes, at most
_LEAST = 8  # lines that the changes get even if all else has to be made smaller for it
_LETTERS = 94  # in a line of text
_SCALES = (84, 78, 72, 66, 60, 54, 48, 42, 36)  # of the notation: a staff is 6 to 2.6 mm high
_LARGE = 5  # the first of these are large enough to give up room for the neck

_STYLE = """
@page { margin: 10mm 12mm; }
* { box-sizing: border-box; }
html { color: black; background: white; font: 3.6mm/4.6mm 'DejaVu Sans', 'Noto Sans', Arial, sans-serif; }
body { width: 186mm; margin: 0 auto; }
section { break-inside: avoid; }
section + section { break-before: page; }
h1 { font-size: 7mm; line-height: 8mm; margin: 0; }
p.what { margin: 0 0 3mm; line-height: 5mm; height: 6mm; white-space: nowrap; }
h2 { font-size: 3.6mm; line-height: 5mm; margin: 1.5mm 0 1mm; border-top: 0.3mm solid black; }
svg { display: block; overflow: visible; }
ol { margin: 0; padding-left: 7mm; font-size: 3.4mm; line-height: 4.3mm; }
li { break-inside: avoid; }
@media screen { body { padding: 8mm 0; } section + section { margin-top: 12mm; } }
"""


class Sheet(NamedTuple):
    """The page as HTML, and what could not be had, in words, if anything."""

    page: str
    missing: str | None


def sheet(plan: Plan, choruses: int) -> Sheet:
    """The sheet of a tune, whole. ValueError for a rhythm that cannot be written down."""
    missing = None
    chart = _Drawing("Chart", chart_svg(plan, choruses, titled=False))
    tab = _Drawing(_tab_title(plan), tab_svg(plan, choruses))
    neck = _Drawing("On the neck: black are the roots of the chords of the form", neck_svg(plan, choruses))
    pages: list[list[_Block]]
    try:
        room = PAGE - _HEAD - chart.height - _TITLE
        beside = _notation(plan, choruses, room - neck.height, _SCALES[:_LARGE])
        staff = beside or _notation(plan, choruses, room, _SCALES, or_smallest=True)
        notation = _Drawing("Bass: it sounds an octave lower than written", staff)
        pages = [[chart, notation, neck], [tab]] if beside else [[chart, notation], [tab, neck]]
    except NoEngraver as error:
        missing = str(error)
        pages = [[chart, tab], [neck]]
    left = PAGE - sum(block.height for block in pages[1])
    changes = [one for one in plan.neck.transitions if choruses > 1 or _comes(plan, one)]
    pages[1].append(_changes(plan, changes, left))
    body = "".join(_page(plan, number, blocks) for number, blocks in enumerate(pages))
    return Sheet(_whole(plan, body), missing)


class _Block:
    """A title and what is under it; `height` is that of both."""

    def __init__(self, title: str, body: str, height: float) -> None:
        self.title, self.body, self.height = title, body, height + _TITLE

    def html(self, scale: float) -> str:
        """The block at a scale, if it can be made smaller."""
        return f"<h2>{escape(self.title)}</h2>\n{self.body}\n"


class _Drawing(_Block):
    """An SVG element, which can be made smaller."""

    def __init__(self, title: str, svg: str) -> None:
        box = re.search(r'viewBox="0 0 ([0-9.]+) ([0-9.]+)"', svg)
        assert box
        self._tall = WIDTH * float(box[2]) / float(box[1])
        super().__init__(title, svg, self._tall)

    def html(self, scale: float) -> str:
        size = f'<svg style="width:{WIDTH * scale:.1f}mm;height:{self._tall * scale:.1f}mm"'
        body = re.sub(r"<svg", size, self.body, count=1)
        return f"<h2>{escape(self.title)}</h2>\n{body}\n"


def _page(plan: Plan, number: int, blocks: Sequence[_Block]) -> str:
    head = _head(plan) if number == 0 else ""
    fixed = (_HEAD if number == 0 else 0) + _TITLE * len(blocks)
    fixed += sum(block.height - _TITLE for block in blocks if not isinstance(block, _Drawing))
    drawn = sum(block.height - _TITLE for block in blocks if isinstance(block, _Drawing))
    scale = min(1.0, (PAGE - fixed) / drawn)
    return f"<section>\n{head}{''.join(block.html(scale) for block in blocks)}</section>\n"


def _head(plan: Plan) -> str:
    tune, meter = plan.tune, "/".join(map(str, plan.feel.meter))
    what = f"in {plan.key} · {meter} · {plan.mbpm / 1000:g} beats a minute · {plan.feel.title}"
    what += f" · {intro}" if (intro := intro_words(plan)) else ""
    what += f" · bass: {tune.figure.title}"
    size = fitting(what, 3.8, WIDTH)
    style = f'class="what" style="font-size:{size:.2f}mm"'
    return f"<h1>{escape(tune.title)}</h1>\n<p {style}>{escape(what)}</p>\n"


def _tab_title(plan: Plan) -> str:
    instrument = plan.neck.instrument
    strings = " ".join(reversed(instrument.string_names))
    how = "× is a dead note, hand 5: first finger at fret 5"
    return f"Tab for {len(instrument.tuning)} strings ({strings}); {how}"


def _notation(
    plan: Plan, choruses: int, room: float, scales: Sequence[int], or_smallest: bool = False
) -> str:
    """The staff, at the largest of some scales that there is room for; empty if there is none."""
    musicxml = bass_notation(plan, choruses, tab=False)
    svg = ""
    for scale in scales:
        svg = engraved(musicxml, WIDTH, scale)
        if _Drawing("", svg).height - _TITLE <= room:
            return svg
    return svg if or_smallest else ""


def _comes(plan: Plan, change: Transition) -> bool:
    """Whether a chorus that is the only one has this change."""
    return change.kind == "change" and change.bar < plan.ending_bar


def _changes(plan: Plan, changes: Sequence[Transition], room: float) -> _Block:
    """The changes that cost the hand most, in words, as many as there is room for."""
    items: list[str] = []
    height = 0.0
    for change in changes[:_CHANGES]:
        words = _told(plan, change)
        taller = height + _LINE * -(-len(words) // _LETTERS)
        if items and taller > max(room - _TITLE - 2, _LEAST * _LINE):
            break
        items.append(f"<li>{escape(words)}</li>")
        height = taller
    which = "" if len(items) == len(changes) else f": the first {len(items)} of {len(changes)}"
    return _Block(f"Changes, the hardest for the hand first{which}", f"<ol>{''.join(items)}</ol>", height + 2)


def _told(plan: Plan, change: Transition) -> str:
    leaves, reaches = plan.chords[change.leaves], plan.chords[change.reaches]
    where = f"bar {change.bar}" + (f", beat {change.beat}" if change.beat > 1 else "")
    into = {"turnaround": ", into the turnaround", "wrap": ", back to the top"}.get(change.kind, "")
    same = leaves == reaches
    chords = f"{leaves.symbol} stays" if same else f"{leaves.symbol} to {reaches.symbol}"
    degrees = "" if same else f" ({leaves.degree} to {reaches.degree})"
    chosen = next((one.name for one in change.variants if one.chosen), "written")
    pickup = "" if chosen == "written" else f" Pickup: {PICKUPS[chosen]}."
    return f"{where}: {chords}{degrees}{into}. {change.reason[:1].upper()}{change.reason[1:]}.{pickup}"


def _whole(plan: Plan, body: str) -> str:
    return (
        "<!DOCTYPE html>\n"
        '<html lang="en"><head><meta charset="utf-8">\n'
        f"<title>{escape(plan.tune.title)} in {plan.key}</title>\n"
        f"<style>{_STYLE}</style></head>\n<body>\n{body}</body></html>\n"
    )
