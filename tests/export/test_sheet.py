"""The sheet in a real browser: it prints on two pages at most, A4 and Letter, with nothing cut off."""

import json
import re
import shutil
import subprocess
from html import unescape
from xml.etree import ElementTree as ET

import pytest

from pedal.export import engrave
from pedal.export.chart_svg import chart_svg
from pedal.export.neck_svg import neck_svg
from pedal.export.sheet import sheet
from pedal.export.tab_svg import tab_svg
from pedal.export.transposed import READERS, read_by
from pedal.export.written import write_part
from pedal.library.library import Library
from pedal.music.neck.fingerboard import FIVE, FOUR, SIX
from pedal.music.pitch import parse_key
from pedal.music.plan import make_plan
from tests.export.browser import CHROMIUM, browse, printed

LIBRARY = Library()
TUNES = LIBRARY.names("tune")
SVG = "{http://www.w3.org/2000/svg}"
PAPERS = {"A4": (210.0, 297.0), "Letter": (215.9, 279.4)}
MM = 25.4 / 72  # of a PDF's point
needs_browser = pytest.mark.skipif(not CHROMIUM, reason="chromium is not installed")
needs_pdf = pytest.mark.skipif(not shutil.which("pdftotext"), reason="poppler-utils are not installed")


def words_of(pdf):
    """(page, x1, y1, x2, y2, word) in mm, and the size of each page."""
    text = subprocess.run(["pdftotext", "-bbox", pdf, "-"], capture_output=True, text=True, check=True).stdout
    pages, words = [], []
    for line in text.splitlines():
        numbers = [
            float(one) * MM for one in re.findall(r'(?:width|height|[xy]M(?:in|ax))="([-0-9.]+)"', line)
        ]
        if "<page" in line:
            pages.append(tuple(numbers))
        elif "<word" in line:
            words.append((len(pages), *numbers, unescape(re.sub("<[^>]+>", "", line)).strip()))
    return pages, words


@pytest.mark.slow
@needs_browser
@needs_pdf
@pytest.mark.parametrize("paper", PAPERS)
@pytest.mark.parametrize(
    ("name", "key", "instrument"),
    [
        ("wet-boots", None, FOUR),
        ("pantry-light", "Db", SIX),  # the longest
        ("ferry-at-ten-past", "F#", FIVE),  # intro, tag, most chords
        ("kettle-before-six", "Ab", FOUR),
        ("umbrellas-in-the-hall", "B", FOUR),  # sixteenths
        ("fog-on-platform-four", "Ebm", FOUR),
    ],
)
@pytest.mark.parametrize("engraver", [True, False])
def test_two_pages_with_nothing_cut_off(name, key, instrument, paper, engraver, tmp_path, monkeypatch):
    if not engraver:
        monkeypatch.setitem(__import__("sys").modules, "verovio", None)
    plan = make_plan(LIBRARY.tune(name), parse_key(key) if key else None, instrument=instrument)
    page, missing = sheet(plan, 3)
    assert bool(missing) != engraver
    path = tmp_path / "sheet.html"
    path.write_text(page.replace("@page {", f"@page {{ size: {paper};"))
    pages, words = words_of(printed(path, tmp_path))
    assert 1 <= len(pages) <= 2
    wide, high = PAPERS[paper]
    for one in pages:
        assert one == pytest.approx((wide, high), abs=0.5)
    for _, x1, y1, x2, y2, word in words:
        assert x1 > 5 and x2 < wide - 5 and y1 > 5 and y2 < high - 5, word
    # What must be there is there: every block, and the last change in words to its full stop.
    found = " ".join(word for *_, word in words)
    for wanted in (plan.tune.title, "Tab for", "On the neck", "Changes, the hardest", "Last time"):
        assert wanted in found
    last = re.findall(r"<li>(.*?)</li>", page)[-1]
    assert unescape(last).split()[-1] in found.split()


@pytest.mark.slow
@needs_browser
@pytest.mark.parametrize("name", TUNES)
def test_every_sheet_fits_the_height_it_was_given(name, tmp_path):
    """The browser's own measure of each section, at the width of the paper."""
    page, _ = sheet(make_plan(LIBRARY.tune(name)), 3)
    script = (
        "<script>onload = () => { const mm = document.createElement('div'); mm.style.width = '100mm';"
        "document.body.append(mm); const unit = mm.getBoundingClientRect().width / 100;"
        "document.title = JSON.stringify([...document.querySelectorAll('section')].map("
        "one => [one.scrollWidth / unit, one.scrollHeight / unit])); }</script>"
    )
    path = tmp_path / "sheet.html"
    path.write_text(page.replace("</body>", script + "</body>"))
    dom = browse(tmp_path, "--dump-dom", path.as_uri())
    sizes = json.loads(re.search("<title>(.*?)</title>", dom)[1])
    assert len(sizes) == 2
    for width, height in sizes:
        assert width < 187.5 and height < 259  # what Letter has between the margins


@pytest.mark.slow
def test_black_and_white():
    for name in TUNES:
        page, _ = sheet(make_plan(LIBRARY.tune(name)), 3)
        ours = re.sub(r"<svg[^>]*Verovio.*?</svg>", "", page, flags=re.S)
        colours = set(re.findall(r'(?:fill|stroke)="([^"]*)"', ours)) - {"none", "currentColor"}
        assert colours <= {"black", "white"}, colours


def test_without_an_engraver_it_says_how_to_get_one(monkeypatch):
    monkeypatch.setitem(__import__("sys").modules, "verovio", None)
    page, missing = sheet(make_plan(LIBRARY.tune("wet-boots")), 3)
    assert missing and "twelve-bar-pedal[engrave]" in missing
    assert "Tab for" in page and "Bass:" not in page
    with pytest.raises(engrave.NoEngraver):
        engrave.engraved("", 186)


def texts(svg):
    return [
        (float(one.get("x")), float(one.get("y")), one.text) for one in ET.fromstring(svg).iter(f"{SVG}text")
    ]


@pytest.mark.parametrize("name", TUNES)
def test_nothing_in_a_drawing_is_outside_it(name):
    plan = make_plan(LIBRARY.tune(name))
    for svg in (chart_svg(plan, 3, "x"), tab_svg(plan, 3), neck_svg(plan, 3)):
        root = ET.fromstring(svg)
        _, _, width, height = map(float, root.get("viewBox").split())
        for one in root.iter():
            for side, most in (("x", width), ("x1", width), ("x2", width), ("cx", width)):
                assert -0.1 <= float(one.get(side) or 0) <= most + 0.1
            for side in ("y", "y1", "y2", "cy"):
                assert -0.1 <= float(one.get(side) or 0) <= height + 0.1


@pytest.mark.parametrize("instrument", [FOUR, SIX])
@pytest.mark.parametrize("name", TUNES)
def test_the_drawn_tab_read_back_is_the_line(name, instrument):
    """From the drawing alone: heights of the strings, numbers on them, and crosses."""
    plan = make_plan(LIBRARY.tune(name), instrument=instrument)
    root = ET.fromstring(tab_svg(plan, 3))
    names = [one for one in texts(tab_svg(plan, 3)) if one[0] == 3.8]  # left of the strings
    rows = [names[n : n + len(instrument.tuning)] for n in range(0, len(names), len(instrument.tuning))]
    strings = [round(y - 1, 2) for row in rows for _, y, _ in row]
    found = []
    for one in root.iter(f"{SVG}text"):
        if one.get("text-anchor") == "middle" and one.text.isdigit():
            y = round(float(one.get("y")) - 1.2, 2)
            if y in strings:
                found.append((strings.index(y), float(one.get("x")), int(one.text)))
    crosses = set()
    for one in root.iter(f"{SVG}polyline"):
        points = one.get("points").split()
        (x1, y1), (x2, y2) = ([*map(float, point.split(","))] for point in (points[0], points[-1]))
        y = round((y1 + y2) / 2, 2)
        if x2 - x1 == pytest.approx(2) and abs(y2 - y1) == pytest.approx(2) and y in strings:
            crosses.add((strings.index(y), round((x1 + x2) / 2, 2), "x"))
    per_row = len(instrument.tuning)
    read = sorted((index // per_row, x, index % per_row + 1, what) for index, x, what in [*found, *crosses])
    written = [
        (note.string, "x" if note.dead else note.fret)
        for bar in write_part(plan, 3).bars
        for note in bar.notes
        if note.start >= 0
    ]
    assert [(string, what) for _, _, string, what in read] == written


def test_transposed_charts_name_their_keys_right():
    plan = make_plan(LIBRARY.tune("wet-boots"), parse_key("A"))
    concert, b_flat, e_flat = (read_by(plan, reader) for reader in READERS)
    assert [str(one.key) for one in (concert, b_flat, e_flat)] == ["A", "B", "F♯"]
    for key, wanted in {"Bb": ("C", "G"), "Eb": ("F", "C"), "E": ("F♯", "D♭"), "Db": ("E♭", "B♭")}.items():
        plan = make_plan(LIBRARY.tune("wet-boots"), parse_key(key))
        assert tuple(str(read_by(plan, reader).key) for reader in READERS[1:]) == wanted
    minor = make_plan(LIBRARY.tune("fog-on-platform-four"), parse_key("Dm"))
    assert [str(read_by(minor, reader).key) for reader in READERS[1:]] == ["Em", "Bm"]
    for reader in READERS:
        view = read_by(minor, reader)
        for chord, sounds in zip(view.chords, minor.chords, strict=True):
            assert (chord.root.pc - sounds.root.pc) % 12 == reader.semitones
            assert chord.degree == sounds.degree and abs(chord.root.alter) <= 1


@pytest.mark.parametrize("name", TUNES)
def test_a_chart_has_every_chord_over_its_degree(name):
    plan = make_plan(LIBRARY.tune(name))
    shown = texts(chart_svg(plan, 3, titled=False))
    degrees = {(x, round(y - 4.3, 1), text) for x, y, text in shown}
    for bar in [*plan.layout, *plan.last[plan.ending_bar - 1 :]]:
        for cell in bar:
            for sound in cell.sounding:
                chord = plan.chords[sound.chord]
                at = [(x, round(y, 1)) for x, y, text in shown if text == chord.symbol]
                under = [(x, y) for x, y, text in degrees if text == str(chord.degree)]
                assert any(abs(x - left) < 9 and abs(y - top) < 0.2 for x, y in at for left, top in under), (
                    chord
                )
    labels = [text for _, _, text in shown]
    assert any(text.startswith("Last time") for text in labels)
    assert any(text.startswith("Turnaround") for text in labels) == bool(plan.tune.turnaround)
    assert any("then the last time" in text for text in labels)
    assert not any("then the last time" in text for _, _, text in texts(chart_svg(plan, 1)))
