"""The tab under the chart, and the list of changes: read back, they are the line that is played."""

import re
from dataclasses import replace

import pytest

from pedal.export.chart import text_chart
from pedal.export.tab import text_tab
from pedal.export.transitions_text import text_transitions
from pedal.music.lines import Figure, parse_line
from pedal.music.neck.fingerboard import FOUR, SIX, Instrument
from pedal.music.pitch import parse_key
from pedal.music.plan import make_plan


def rows(text, strings):
    """Rows of the tab: (label, bars of chords, hand line, string lines by name)."""
    lines = text.split("\n")
    found = []
    for index, line in enumerate(lines):
        if line.startswith("hand"):
            names = [lines[index + 1 + n] for n in range(strings)]
            found.append((lines[index - 2], line, names))
    return found


def read_back(text, instrument):
    """(bar, MIDI key or x) in order, from the strings alone."""
    notes = []
    for label, _, names in rows(text, len(instrument.tuning)):
        first, starts = int(label.split("|")[0]), []
        for string, line in enumerate(names, 1):
            assert line.split("|")[0].strip() == instrument.name_of(string)
            for found in re.finditer(r"\d+|x", line):
                bar = first + line[: found.start()].count("|") - 1
                key = "x" if found[0] == "x" else instrument.tuning[-string] + int(found[0])
                starts.append((found.start(), bar, key))
        notes += [(bar, key) for _, bar, key in sorted(starts)]
    return notes


@pytest.mark.parametrize("instrument", [FOUR, SIX])
def test_the_tab_is_the_line(library, instrument):
    for name in library.names("tune"):
        plan = make_plan(library.tune(name), instrument=instrument)
        line = [(note.bar, "x" if note.dead else note.key) for note in plan.neck.chorus]
        last = [
            (note.bar, "x" if note.dead else note.key)
            for note in plan.neck.last
            if note.bar >= plan.ending_bar
        ]
        assert read_back(text_tab(plan), instrument) == line + last


def test_bars_stand_under_the_charts_and_all_lines_are_as_long(library):
    for name in library.names("tune"):
        plan = make_plan(library.tune(name))
        text = text_tab(plan)
        chart = re.findall(r"^ *(\d+) \| (.*) \|$", text_chart(plan), re.M)
        tab = re.findall(r"^ *(\d+) \| (.*) \|$", text, re.M)
        cells = [(bar, [word.strip() for word in row.split("|")]) for bar, row in tab]
        assert cells == [(bar, [word.strip() for word in row.split("|")]) for bar, row in chart]
        for label, _, names in rows(text, 4):
            walls = [[n for n, letter in enumerate(line) if letter == "|"] for line in (label, *names)]
            assert all(wall == walls[0] for wall in walls)


def test_in_e(library):
    text = text_tab(make_plan(library.tune("wet-boots"), parse_key("E")))
    assert text.startswith("Bass on 4 strings (E A D G), 20 frets, open strings: avoided where they can be\n")
    assert "\npickup into bar 1: E 7, E 10\n" in text  # as in every bar of I
    _, hand, names = rows(text, 4)[2]
    # V on the 9th fret of the D string, IV on the 7th, I on the 7th of the A string; then the walk.
    assert names[1].startswith("   D |-9--x-")
    assert [re.findall(r"\d+|x", bar) for bar in names[1].split("|")[1:3]] == [
        ["9", "x", "7", "9", "x"],
        ["7", "x", "7", "x"],
    ]
    assert re.findall(r"\d+", names[3])[-7:] == ["8", "8", "7", "7", "5", "6", "7"]
    assert hand.split() == ["hand", "7", "5"]
    # The mark stands over the note that the hand moves for: the 8, which the little finger takes.
    assert names[3][hand.index("5")] == "8"


def test_the_hand_is_marked_where_it_moves_and_nowhere_else(library):
    plan = make_plan(library.tune("ferry-at-ten-past"))
    hands = [line.split()[1:] for _, line, _ in rows(text_tab(plan), 4)]
    expected = []
    for section, first in ((plan.neck.chorus, 1), (plan.neck.last, plan.ending_bar)):
        notes = [note for note in section if note.bar >= first]
        for start in range(first, max(note.bar for note in notes) + 1, 4):
            row = [note.hand for note in notes if start <= note.bar < start + 4]
            expected.append([str(h) for n, h in enumerate(row) if n == 0 or h != row[n - 1]])
    assert hands == expected


def test_what_cannot_be_played_is_told_under_the_tab(library):
    figure = Figure("wide", "Wide", *parse_line("1 | 5,, | 5' | 3'"), ("7",))
    tune = replace(library.tune("wet-boots"), figure=figure)
    plan = make_plan(tune, parse_key("C"), instrument=Instrument(frets=12))
    assert "Note: the lower 5 of I7 (C7) in C is below the lowest string (E); it is played" in text_tab(plan)
    assert "Note" not in text_tab(make_plan(library.tune("wet-boots")))


def test_the_list_of_changes(library):
    plan = make_plan(library.tune("wet-boots"), parse_key("E"))
    text = text_transitions(plan)
    titles = re.findall(r"^ +(\d+)  bar (\d+)", text, re.M)
    assert titles == [(str(n), str(change.bar)) for n, change in enumerate(plan.neck.transitions, 1)]
    assert "bar 1: V7 to I7 (B7 to E7), back to the top" in text
    assert "bar 11: IV7 to I7 (A7 to E7), into the turnaround" in text
    assert "hand moves 2 frets up, E string to A string, 0.27 s to get there" in text
    assert "the fifth of IV7 is the root of I7" in text
    assert "pickup: as written 26 (played), order swapped" in text


def test_the_count_under_the_strings_is_the_rhythm(library):
    """Every note stands over its beat's number, or over the sign of its part of the beat."""
    signs = {(1, 2): "+", (2, 4): "+", (1, 3): "t", (2, 3): "t", (1, 4): "e", (3, 4): "a"}
    for name in library.names("tune"):
        plan = make_plan(library.tune(name))
        lines = text_tab(plan).split("\n")
        counts = [index for index, line in enumerate(lines) if line.startswith("beat  ")]
        notes = [*plan.neck.chorus, *(n for n in plan.neck.last if n.bar >= plan.ending_bar)]
        written = [str(n.beat) if not n.slot.number else signs[n.slot] for n in notes]
        read = []
        for index in counts:
            strings = lines[index - len(plan.neck.instrument.tuning) : index]
            starts = {found.start() for line in strings for found in re.finditer(r"\d+|x", line)}
            read += [lines[index][start] for start in sorted(starts)]
        assert read == written
