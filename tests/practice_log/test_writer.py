"""The log's writer: what the loop hands over is kept, and the loop never waits."""

import sqlite3
import threading
import time
from contextlib import closing
from datetime import datetime

import pytest

from pedal.events import ChorusDone, RepetitionDone
from pedal.practice_log import store
from pedal.practice_log import writer as module
from pedal.practice_log.store import Log, LogError, Reader
from pedal.practice_log.writer import NEWEST, PAUSE_S, LogWriter
from tests.support.wait import wait_for

START = datetime(2026, 11, 25, 19, 0).timestamp()
CHORUS = ChorusDone(0, "wet-boots", "A", 112_000, 1)


def repetition(clean=True, mbpm=78_400, change=5):
    pace = mbpm * 1000 // 112_000
    return RepetitionDone(0, "wet-boots", "A", mbpm, change, clean, pace)


class Desk:
    """A writer with a clock of its own."""

    def __init__(self, path, **more):
        self.path, self.now, self.trouble = path, START, []
        self.writer = LogWriter(path, self.trouble.append, now=lambda: self.now, **more)

    def read(self):
        self.writer.close()
        return closing(Reader(self.path))


@pytest.fixture
def desk(tmp_path):
    desk = Desk(tmp_path / "practice.sqlite")
    yield desk
    desk.writer.close()


def test_what_is_handed_over_is_kept(desk):
    for mark in (CHORUS, repetition(), repetition(clean=False)):
        desk.writer.take(mark)
    with desk.read() as log:
        assert [(entry.tune, entry.key, entry.mbpm, entry.chorus) for entry in log.choruses()] == [
            ("wet-boots", "A", 112_000, 1)
        ]
        assert [(entry.change, entry.clean, entry.pace) for entry in log.repetitions()] == [
            (5, True, 700),
            (5, False, 700),
        ]
        assert log.choruses()[0].at == datetime.fromtimestamp(START).astimezone().isoformat()
    assert (desk.writer.dropped, desk.writer.error, desk.trouble) == (0, None, [])


def test_it_is_on_the_disk_before_the_writer_is_closed(desk):
    desk.writer.take(CHORUS)

    def kept():
        try:
            with closing(Reader(desk.path)) as log:
                return len(log.choruses()) == 1
        except LogError:
            return False

    wait_for("the chorus in the log", kept)


def test_a_pause_of_more_than_half_an_hour_parts_two_sessions(desk):
    for pause in (0, PAUSE_S - 1, PAUSE_S - 1, PAUSE_S + 1):
        desk.now += pause
        desk.writer.take(CHORUS)
    with desk.read() as log:
        lengths = [
            (datetime.fromisoformat(ended) - datetime.fromisoformat(began)).seconds
            for began, ended in log.sessions()
        ]
    assert lengths == [2 * (PAUSE_S - 1), 0]


def test_a_session_lasts_as_long_as_the_band_plays(desk):
    for _ in range(400):
        desk.writer.playing()  # at every beat
        desk.now += 0.5
    desk.writer.stopped()
    with desk.read() as log:
        ((began, ended),) = log.sessions()
        assert (datetime.fromisoformat(ended) - datetime.fromisoformat(began)).seconds == 200
        assert log.choruses() == []


def test_a_clock_that_is_set_back_does_no_harm(desk):
    desk.writer.take(CHORUS)
    desk.now -= 24 * 3600  # no clock battery, then the network
    desk.writer.playing()
    desk.writer.take(CHORUS)
    with desk.read() as log:
        assert (len(log.sessions()), len(log.choruses())) == (2, 2)
    assert desk.writer.dropped == 0


@pytest.fixture
def stuck(monkeypatch):
    """A disk that does nothing until it is freed."""
    free = threading.Event()

    class Stuck(Log):
        def begin(self, at):
            free.wait(10)
            return super().begin(at)

    monkeypatch.setattr(module, "Log", Stuck)
    yield free
    free.set()


def test_the_loop_never_waits(stuck, tmp_path):
    desk = Desk(tmp_path / "log", capacity=8)
    desk.writer.take(CHORUS)
    wait_for("the writer to be stuck", lambda: desk.writer._queue.empty())
    started = time.perf_counter()
    for _ in range(1000):
        desk.writer.take(CHORUS)
    assert time.perf_counter() - started < 0.5
    assert desk.writer.dropped == 1000 - 8
    stuck.set()
    with desk.read() as log:
        assert len(log.choruses()) == 1 + 8
    desk.writer.close()


def test_a_newer_log_is_told_once_and_left_alone(tmp_path):
    path = tmp_path / "log"
    Log(path).close()
    with closing(sqlite3.connect(path)) as db:
        db.execute("PRAGMA user_version = 99")
    before = path.read_bytes()
    desk = Desk(path)
    for _ in range(3):
        desk.writer.take(CHORUS)
    desk.writer.close()
    assert path.read_bytes() == before
    assert desk.writer.dropped == 3
    assert desk.trouble == [desk.writer.error]
    assert desk.writer.error.endswith("(log version 99); it is only read, and nothing is added to it")


def test_a_full_disk_is_told_once_and_tried_again(monkeypatch, tmp_path):
    full = [True, True, False]

    class Filling(Log):
        def add(self, session, entry):
            if full.pop(0):
                raise LogError("practice log 'x': database or disk is full")
            return super().add(session, entry)

    monkeypatch.setattr(module, "Log", Filling)
    desk = Desk(tmp_path / "log")
    for _ in range(3):
        desk.writer.take(CHORUS)
    with desk.read() as log:
        assert len(log.choruses()) == 1
    assert desk.writer.dropped == 2
    assert desk.trouble == ["practice log 'x': database or disk is full"]


def asked(desk, tune="wet-boots", key="A"):
    answers = []
    desk.writer.ask(tune, key, answers.append)
    wait_for("an answer of the log", lambda: answers)
    return answers[0]


def test_the_clean_tempo_is_answered(desk):
    assert asked(desk) == {}
    for mbpm in (78_400, 82_000):
        for _ in range(3):
            desk.writer.take(repetition(mbpm=mbpm))
    desk.writer.take(repetition(mbpm=90_000))  # once may be luck
    desk.writer.take(repetition(mbpm=90_000, clean=False))
    desk.writer.take(repetition(mbpm=90_000, change=9))
    assert asked(desk) == {5: 82_000}
    assert asked(desk, key="B♭") == asked(desk, tune="other") == {}
    desk.now += 24 * 3600
    for _ in range(3):
        desk.writer.take(repetition(mbpm=70_000))
    assert asked(desk) == {5: 70_000}  # the last day's counts


def test_a_question_never_reads_the_whole_log(desk, monkeypatch):
    """It is asked in a thread with real-time priority, which is ended where it computes for too long."""
    assert asked(desk) == {}  # the file is there
    for name in ("repetitions", "choruses"):
        monkeypatch.setattr(module.Reader, name, None)
    monkeypatch.setattr(store, "_check_whole", None)
    for _ in range(3):
        desk.writer.take(repetition())
    assert asked(desk) == {5: 78_400}
    for _ in range(NEWEST // 64):
        asked(desk, tune="other")  # else the queue would be full
        for _ in range(64):
            desk.writer.take(repetition(clean=False))
    assert asked(desk) == {}  # too long ago


def test_a_log_that_is_broken_answers_nothing(tmp_path):
    path = tmp_path / "log"
    path.write_bytes(b"Dear diary\n" * 100)
    desk = Desk(path)
    assert asked(desk) == {}
    desk.writer.close()
    desk.writer.close()
