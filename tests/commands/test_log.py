"""What the log says: in words, as a table, as a chart, and what it counts as clean."""

import csv
import io
import os
import xml.etree.ElementTree as ET
from contextlib import closing
from datetime import date, timedelta
from itertools import pairwise

import pytest
from hypothesis import given
from hypothesis import strategies as st

from pedal.cli import main
from pedal.commands import log as log_command
from pedal.commands.exit_status import FAILED, OK
from pedal.errors import BadValue, FileError
from pedal.export.tempo_svg import tempo_svg
from pedal.practice_log.clean import DrilledChange, best_by_day, clean_runs, clean_tempos
from pedal.practice_log.store import Chorus, Log, PracticeSession, Repetition
from pedal.practice_log.summary import csv_table, text_summary
from pedal.service import paths

FIVE = DrilledChange("wet-boots", "A", 5)


def at(day=1, time="19:00:00"):
    return f"2026-11-{day:02}T{time}+01:00"


def reps(marks, mbpm=80_000, day=1, change=5, tune="wet-boots"):
    """Repetitions by their marks: + clean, - missed."""
    return [
        Repetition(at(day), tune, "A", change, mark == "+", mbpm * 1000 // 112_000, mbpm) for mark in marks
    ]


def best_clean(entries):
    """The best clean tempo of each change, by a plain look at all runs."""
    runs = list(clean_runs(entries))
    return {run.transition: max(r.mbpm for r in runs if r.transition == run.transition) for run in runs}


class TestClean:
    @pytest.mark.parametrize(
        ("marks", "clean"), [("++", False), ("+++", True), ("++-+", False), ("-+++-", True), ("+-+-+", False)]
    )
    def test_three_in_a_row(self, marks, clean):
        assert best_clean(reps(marks)) == ({FIVE: 80_000} if clean else {})

    def test_in_a_row_at_one_tempo_on_one_day_at_one_change(self):
        assert best_clean(reps("++") + reps("+", 84_000)) == {}
        assert best_clean(reps("++") + reps("+", day=2)) == {}
        mixed = [entry for pair in zip(reps("++"), reps("++", change=9), strict=True) for entry in pair]
        assert best_clean(mixed) == {}
        assert best_clean([*mixed, *reps("+")]) == {FIVE: 80_000}

    def test_the_best_and_the_last(self):
        entries = reps("+++", 90_000) + reps("+++", 84_000) + reps("+++", 70_000, day=2) + reps("---", day=3)
        assert best_by_day(entries) == {FIVE: {"2026-11-01": 90_000, "2026-11-02": 70_000}}
        assert best_clean(entries) == {FIVE: 90_000}
        assert clean_tempos(entries, "wet-boots", "A") == {5: 70_000}

    @given(st.lists(st.tuples(st.sampled_from((70_000, 80_000, 90_000)), st.sampled_from("+-"))))
    def test_against_a_plain_search(self, played):
        entries = [reps(mark, mbpm)[0] for mbpm, mark in played]
        rows = [played[n : n + 3] for n in range(len(played) - 2)]
        clean = [row[0][0] for row in rows if set(row) == {(row[0][0], "+")}]
        assert best_clean(entries) == ({FIVE: max(clean)} if clean else {})


class TestWords:
    def test_all_of_it(self):
        sessions = [
            PracticeSession(at(1), at(1, "19:40:00")),
            PracticeSession(at(2), at(2, "19:32:00")),
        ]
        choruses = [
            Chorus(at(1), "wet-boots", "A", 88_000, 1),
            Chorus(at(2), "wet-boots", "A", 112_000, 2),
            Chorus(at(2), "third-bus-home", "B♭", 60_000, 1),
        ]
        entries = reps("+++", 84_000) + reps("+++", 78_400, day=2) + reps("+-", change=11)
        assert text_summary(sessions, choruses, entries) == (
            "2 sessions on 2 days from 2026-11-01 to 2026-11-02, 1 h 12 min\n"
            "\n"
            "wet-boots in A: 2 choruses at 88 to 112 beats a minute, last on 2026-11-02\n"
            "  change  last clean  on          best clean  of written  repetitions  clean\n"
            "  bar 5   78          2026-11-02  84          75 %        6            6\n"
            "  bar 11  -                       -                       2            1\n"
            "\n"
            "third-bus-home in B♭: 1 chorus at 60 beats a minute, last on 2026-11-02\n"
            "\n"
            "A tempo counts as clean after three clean repetitions in a row on one day."
        )

    def test_nothing(self):
        assert text_summary([], [], []) == "nothing has been practised yet"


def test_table():
    table = csv_table([Chorus(at(2), "wet-boots", "A", 112_500, 4)], reps("+-"))
    rows = list(csv.DictReader(io.StringIO(table)))
    assert [row["what"] for row in rows] == ["repetition", "repetition", "chorus"]  # by time
    assert rows[0] == {
        "at": at(), "what": "repetition", "tune": "wet-boots", "key": "A", "bpm": "80.0",
        "chorus": "", "change": "5", "clean": "1", "pace": "714",
    }  # fmt: skip
    assert (rows[1]["clean"], rows[2]["bpm"], rows[2]["chorus"]) == ("0", "112.5", "4")


# ---- the chart --------------------------------------------------------------------------

SVG = "{http://www.w3.org/2000/svg}"


def drawn(entries):
    return ET.fromstring(tempo_svg(entries))


def lines(root):
    """The lines of transitions: points and dashes."""
    return [
        (
            [tuple(map(float, point.split(","))) for point in one.get("points").split()],
            one.get("stroke-dasharray"),
        )
        for one in root.iter(f"{SVG}polyline")
        if one.get("stroke-width") == "1.5"
    ]


class TestChart:
    def test_faster_is_higher_and_later_is_further_right(self):
        root = drawn(reps("+++", 70_000, 1) + reps("+++", 80_000, 3) + reps("+++", 90_000, 5))
        ((points, _),) = lines(root)
        assert len(points) == 3
        for (x, y), (later, faster) in pairwise(points):
            assert later > x and faster < y
        assert points[1][0] == pytest.approx((points[0][0] + points[2][0]) / 2, abs=0.2)
        assert points[1][1] == pytest.approx((points[0][1] + points[2][1]) / 2, abs=0.2)

    def test_is_read_in_black_and_white(self):
        entries = []
        for change in range(1, 7):
            for day in (1, 2):
                entries += reps("+++", 70_000 + 1000 * change, day, change)
        root = drawn(entries)
        assert len({dashes for _, dashes in lines(root)}) == 6
        colours = {one.get(what) for one in root.iter() for what in ("fill", "stroke")} - {None, "none"}
        assert colours <= {"black", "white", "#bbb"}

    def test_each_line_has_its_name_and_no_name_covers_another(self):
        entries = [entry for change in range(1, 9) for entry in reps("+++", 80_000 - change, 1, change)]
        labels = {one.text: float(one.get("y")) for one in drawn(entries).iter(f"{SVG}text")}
        places = sorted(labels[f"bar {change}"] for change in range(1, 9))
        assert all(later - y >= 12 for y, later in pairwise(places))
        assert places[-1] < 334  # the foot of the page

    def test_a_panel_for_each_tune_and_key(self):
        root = drawn(reps("+++") + reps("+++", tune="five & <dime>"))
        words = {one.text for one in root.iter(f"{SVG}text")}
        assert {"wet-boots in A, beats a minute", "five & <dime> in A, beats a minute"} <= words

    def test_nothing_yet(self):
        assert "No tempo has been clean yet." in tempo_svg(reps("+-+"))

    @given(
        st.lists(
            st.tuples(st.integers(40_000, 260_000), st.integers(0, 3000), st.integers(1, 24)), min_size=1
        )
    )
    def test_everything_lies_within_the_page(self, played):
        entries = []
        for mbpm, days, change in played:
            day = date(2026, 1, 1) + timedelta(days)
            entries += [entry._replace(at=f"{day}T10:00:00+00:00") for entry in reps("+++", mbpm, 1, change)]
        root = drawn(entries)
        width, height = float(root.get("width")), float(root.get("height"))
        for points, _ in lines(root):
            assert all(0 <= x <= width and 0 <= y <= height for x, y in points)
        dates = [one for one in root.iter(f"{SVG}text") if len(one.text or "") == 10]
        places = sorted({float(one.get("x")) for one in dates})
        assert all(later - x > 66 for x, later in pairwise(places)) or len(places) == 2


# ---- the command ------------------------------------------------------------------------


@pytest.fixture
def log(tmp_path):
    with closing(Log(tmp_path / "log")) as log:
        session = log.begin(at())
        for entry in [*reps("+++"), *reps("+", tune="other"), Chorus(at(), "wet-boots", "A", 112_000, 1)]:
            log.add(session, entry)
    return tmp_path / "log"


def test_prints(log, capsys):
    log_command.run(log, None, None, None)
    assert "wet-boots in A: 1 chorus" in capsys.readouterr().out


def test_one_tune(log, capsys):
    log_command.run(log, "other", None, "-")
    assert [row["tune"] for row in csv.DictReader(io.StringIO(capsys.readouterr().out))] == ["other"]
    with pytest.raises(BadValue, match="nothing of 'third' is in the practice log"):
        log_command.run(log, "third", None, None)


def test_files(log, tmp_path, capsys):
    log_command.run(log, None, tmp_path / "chart.svg", str(tmp_path / "log.csv"))
    assert ET.parse(tmp_path / "chart.svg").getroot().tag == f"{SVG}svg"
    assert len((tmp_path / "log.csv").read_text().splitlines()) == 1 + 5
    assert capsys.readouterr().out.splitlines() == [
        f"wrote {tmp_path / 'chart.svg'}",
        f"wrote {tmp_path / 'log.csv'}",
    ]
    with pytest.raises(FileError, match="there is no folder"):
        log_command.run(log, None, tmp_path / "nowhere" / "chart.svg", None)


class TestWritingOver:
    """What is there is somebody's; what the box keeps is the player's practice."""

    @pytest.fixture
    def kept(self, tmp_path, monkeypatch):
        """A box that has played: its folder, in which the log is the usual one."""
        monkeypatch.setenv("STATE_DIRECTORY", str(tmp_path / "state"))
        with closing(Log(paths.log_file())) as log:
            for entry in reps("+++"):
                log.add(log.begin(at()), entry)
        paths.state_file().write_text("{}")
        return tmp_path / "state"

    @pytest.mark.parametrize("option", ["--csv", "--chart"])
    def test_only_with_force(self, kept, tmp_path, capsys, option):
        out = tmp_path / "out"
        out.write_text("mine")
        assert main(["log", option, str(out)]) == FAILED
        assert out.read_text() == "mine"
        assert capsys.readouterr().err == f"pedal: '{out}' is there already; --force writes over it\n"
        assert main(["log", option, str(out), "--force"]) == OK
        assert "wet-boots" in out.read_text() and sorted(os.listdir(tmp_path)) == ["out", "state"]

    def test_nothing_is_written_if_one_of_two_is_there(self, kept, tmp_path):
        (tmp_path / "log.csv").write_text("mine")
        assert main(["log", "--chart", str(tmp_path / "a.svg"), "--csv", str(tmp_path / "log.csv")]) == FAILED
        assert not (tmp_path / "a.svg").exists()

    @pytest.mark.parametrize("option", ["--csv", "--chart"])
    @pytest.mark.parametrize("way", ["itself", "relative", "symlink", "hard link", "folder link"])
    @pytest.mark.parametrize("name", ["practice.sqlite", "last.json"])
    def test_what_the_box_keeps_never(self, kept, tmp_path, monkeypatch, capsys, option, way, name):
        monkeypatch.chdir(tmp_path)
        out = kept / name
        before = out.read_bytes()
        if way == "relative":
            out = f"state/../state/{name}"
        elif way == "symlink":
            (tmp_path / "out").symlink_to(kept / name)
            out = "out"
        elif way == "hard link":
            os.link(kept / name, tmp_path / "out")
            out = "out"
        elif way == "folder link":
            (tmp_path / "there").symlink_to(kept)
            out = f"there/{name}"
        assert main(["log", option, str(out), "--force"]) == FAILED
        assert (kept / name).read_bytes() == before and os.path.samefile(out, kept / name)
        said = capsys.readouterr().err
        assert "never written over" in said and said.count("\n") == 1

    @pytest.mark.parametrize("tail", ["-wal", "-shm", "-journal"])
    @pytest.mark.parametrize("there", [True, False])
    def test_nor_what_sqlite_puts_beside_it(self, kept, tmp_path, tail, there):
        """The log read by another name, too: SQLite's files lie beside the real one."""
        (tmp_path / "linked").symlink_to(kept / "practice.sqlite")
        beside = kept / f"practice.sqlite{tail}"
        beside.unlink(missing_ok=True)
        if there:
            beside.touch()
        arguments = ["log", "--file", str(tmp_path / "linked"), "--csv", str(beside), "--force"]
        assert main(arguments) == FAILED
        assert beside.exists() == there and not (there and beside.read_bytes())

    def test_nor_the_log_that_is_read(self, log, kept):
        before = log.read_bytes()
        assert main(["log", "--file", str(log), "--csv", str(log), "--force"]) == FAILED
        assert log.read_bytes() == before

    @pytest.mark.parametrize("force", [[], ["--force"]])
    def test_a_folder_and_a_pipe_are_no_files(self, kept, tmp_path, capsys, force):
        os.mkfifo(tmp_path / "pipe")
        for place in (tmp_path, tmp_path / "pipe"):
            assert main(["log", "--csv", str(place), *force]) == FAILED
            assert capsys.readouterr().err == f"pedal: '{place}' is there, and is no file\n"

    def test_a_full_card_is_one_message(self, kept, tmp_path, monkeypatch, capsys):
        def full(fd):
            raise OSError(28, "No space left on device")

        (tmp_path / "log.csv").write_text("mine")
        monkeypatch.setattr("os.fsync", full)
        assert main(["log", "--csv", str(tmp_path / "log.csv"), "--force"]) == FAILED
        said = f"pedal: '{tmp_path / 'log.csv'}' could not be written: No space left on device\n"
        assert capsys.readouterr().err == said and (tmp_path / "log.csv").read_text() == "mine"
