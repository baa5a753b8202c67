"""The chart, as text and as a drawing."""

import re
import xml.etree.ElementTree as ET
from itertools import pairwise

import pytest

from pedal.export.chart import text_chart
from pedal.export.chart_svg import chart_svg
from pedal.export.svg import bold_width
from pedal.music.plan import make_plan

SVG = "{http://www.w3.org/2000/svg}"


def words_of(svg):
    """All text with its place, size and weight."""
    return [
        (float(one.get("x")), float(one.get("y")), float(one.get("font-size")), one.text)
        for one in ET.fromstring(svg).iter(f"{SVG}text")
        if one.get("font-weight") == "bold"
    ]


@pytest.mark.parametrize("choruses", [1, 2, 4])
def test_no_chord_stands_on_another(library, choruses):
    for name in library.names("tune"):
        symbols = words_of(chart_svg(make_plan(library.tune(name)), choruses))[1:]
        rows = {}
        for x, y, size, symbol in symbols:
            rows.setdefault(y, []).append((x, x + bold_width(symbol, size)))
        for row in rows.values():
            assert all(one[1] <= then[0] for one, then in pairwise(sorted(row))), name


def test_one_chorus_is_the_last_time(library):
    plan = make_plan(library.tune("wet-boots"))
    text, svg = text_chart(plan, 1), chart_svg(plan, 1)
    assert "Repeat" not in text and "Last time" not in text and "Turnaround" not in svg + text
    assert "Ending, from bar 11" in text and "Ending: " in svg and "then the last time" not in svg
    assert len(re.findall(r"[|] I7|[|] IV7|[|] V7", text)) == len(plan.last)


@pytest.mark.parametrize(("choruses", "says"), [(0, "until"), (2, "once, then"), (4, "3 times, then")])
def test_how_often_it_is_repeated(library, choruses, says):
    text = text_chart(make_plan(library.tune("wet-boots")), choruses)
    assert f"Repeat: bars 1 to 12, {says} the last time" in text
    assert "@3 after a chord" in text  # the ending has one


def test_an_intro_is_told(library):
    plan = make_plan(library.tune("fog-on-platform-four"))
    assert "Intro: the turnaround, from bar 11" in text_chart(plan, 3)
    assert "intro: the turnaround, from bar 11" in chart_svg(plan, 3)
