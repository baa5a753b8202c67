"""The file of the practice log: nothing committed is lost, and nothing strange is written over."""

import sqlite3
import tempfile
from contextlib import closing
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from pedal.export.tempo_svg import tempo_svg
from pedal.practice_log import store
from pedal.practice_log.clean import clean_tempos
from pedal.practice_log.store import VERSION, Chorus, Log, LogError, LogReader, Repetition
from pedal.practice_log.summary import csv_table, text_summary
from tests.practice_log.killed import FAST, check_killed_in_memory, killed
from tests.support.examples import examples

AT = "2026-11-25T19:30:05+01:00"
CHORUS = Chorus(AT, "wet-boots", "A", 112_000, 3)
REPETITION = Repetition(AT, "wet-boots", "A", 5, True, 700, 78_400)


@pytest.fixture
def path(tmp_path):
    return tmp_path / "state" / "practice.sqlite"


def filled(path, entries=(CHORUS, REPETITION)):
    with closing(Log(path)) as log:
        session = log.begin(AT)
        for entry in entries:
            log.add(session, entry)


class TestKeeping:
    def test_entries_come_back_as_they_were(self, path):
        filled(path)
        filled(path, [REPETITION._replace(clean=False)])
        with closing(LogReader(path)) as reader:
            assert reader.choruses() == [CHORUS]
            assert reader.repetitions() == [REPETITION, REPETITION._replace(clean=False)]
            assert [entry.clean for entry in reader.repetitions()] == [True, False]
            assert reader.sessions() == [(AT, AT)] * 2

    def test_a_session_ends_with_its_last_entry(self, path):
        later = "2026-11-25T20:00:00+01:00"
        with closing(Log(path)) as log:
            session = log.begin(AT)
            log.add(session, CHORUS._replace(at=later))
        with closing(LogReader(path)) as reader:
            assert reader.sessions() == [(AT, later)]

    def test_every_commit_reaches_the_disk(self, path):
        with closing(Log(path)) as log:
            assert log._db.execute("PRAGMA synchronous").fetchone() == (2,)  # FULL
            assert log._db.execute("PRAGMA journal_mode").fetchone() == ("truncate",)
            assert log._db.execute("PRAGMA user_version").fetchone() == (VERSION,)

    def test_an_empty_file_is_a_new_log(self, path):
        path.parent.mkdir()
        path.touch()
        with closing(LogReader(path)) as reader:
            assert reader.sessions() == reader.choruses() == []
        filled(path)
        with closing(LogReader(path)) as reader:
            assert len(reader.sessions()) == 1

    def test_it_is_read_while_it_is_written(self, path):
        with closing(Log(path)) as log:
            session = log.begin(AT)
            with closing(LogReader(path)) as reader:
                for count in range(1, 4):
                    log.add(session, CHORUS)
                    assert len(reader.choruses()) == count

    def test_a_reader_writes_nothing(self, path):
        filled(path)
        before = path.read_bytes()
        with closing(LogReader(path)) as reader:
            reader.choruses()
            with pytest.raises(sqlite3.OperationalError):
                reader._db.execute("DELETE FROM chorus")
        assert path.read_bytes() == before

    def test_there_is_none_yet(self, path):
        with pytest.raises(LogError, match=r"^there is no practice log yet"):
            LogReader(path)
        assert not path.exists()


def many(path, count, **other):
    """A log with so many more repetitions, put there at once."""
    rows = [(1, *REPETITION._replace(**other))] * count
    with closing(sqlite3.connect(path)) as db, db:
        columns = ", ".join(Repetition._fields)
        db.executemany(f"INSERT INTO repetition (session, {columns}) VALUES (?, ?, ?, ?, ?, ?, ?, ?)", rows)


def steps(path, most):
    """What SQLite does for a question, in its own steps."""
    count = 0

    def step():
        nonlocal count
        count += 1

    with closing(LogReader(path, whole=False)) as reader:
        reader._db.set_progress_handler(step, 1)
        assert reader.newest("wet-boots", "A", most)
    return count


PLAYED = st.builds(
    lambda day, tune, key, change, clean, mbpm: Repetition(
        f"2026-11-{day:02}T19:00:00+01:00", tune, key, change, clean, 700, mbpm
    ),
    st.integers(1, 3),  # in any order: a clock without a battery goes back
    st.sampled_from(("wet-boots", "third-bus-home")),
    st.sampled_from("AB"),
    st.sampled_from((1, 5)),
    st.booleans() | st.just(True),
    st.sampled_from((70_000, 80_000)),
)


class TestNewest:
    @examples(150)
    @given(st.lists(PLAYED, max_size=60) | st.lists(PLAYED, min_size=40, max_size=60), st.integers(1, 60))
    def test_its_clean_tempos_are_those_of_the_whole_log(self, entries, most):
        """If that has no more of a change than is asked for."""
        with tempfile.TemporaryDirectory(dir=FAST) as folder:
            path = Path(folder) / "log"
            filled(path, [])
            with closing(sqlite3.connect(path)) as db, db:
                columns = ", ".join(Repetition._fields)
                added = f"INSERT INTO repetition (session, {columns}) VALUES (1, ?, ?, ?, ?, ?, ?, ?)"
                db.executemany(added, entries)
            with closing(LogReader(path, whole=False)) as reader:
                newest = reader.newest("wet-boots", "A", most)
        asked = [entry for entry in entries if (entry.tune, entry.key) == ("wet-boots", "A")]
        kept = [entry for change in (1, 5) for entry in [e for e in asked if e.change == change][-most:]]
        assert newest == kept
        if len(kept) == len(asked):
            assert clean_tempos(newest, "wet-boots", "A") == clean_tempos(entries, "wet-boots", "A")

    @pytest.mark.parametrize("other", [{"tune": "third-bus-home"}, {"key": "B"}, {}], ids=str)
    def test_an_old_log_costs_what_a_young_one_does(self, path, other):
        filled(path)
        many(path, 40)
        young = steps(path, 20)
        many(path, 20_000, **other)
        assert steps(path, 20) <= young + 9  # the row after the last may be looked at

    def test_a_log_that_is_empty_or_strange(self, path):
        path.parent.mkdir()
        path.touch()
        with closing(LogReader(path, whole=False)) as reader:
            assert reader.newest("wet-boots", "A", 9) == []
        filled(path)
        with closing(sqlite3.connect(path)) as db, db:
            db.execute("UPDATE repetition SET at = 'yesterday'")
        with closing(LogReader(path, whole=False)) as reader, pytest.raises(LogError, match="is damaged"):
            reader.newest("wet-boots", "A", 9)

    def test_the_check_of_a_whole_file_rests(self, path, monkeypatch):
        """Whoever never waits is ended, where there is real-time priority."""
        rests = []
        monkeypatch.setattr(store.time, "sleep", rests.append)
        filled(path)
        Log(path).close()
        assert rests == []
        many(path, 20_000)
        Log(path).close()
        assert len(rests) >= 3


class TestStrangeFiles:
    """Refused for writing in one line, and left byte for byte."""

    def refused(self, path):
        before, beside = path.read_bytes(), sorted(path.parent.iterdir())
        with pytest.raises(LogError) as caught:
            Log(path)
        assert path.read_bytes() == before
        assert sorted(path.parent.iterdir()) == beside
        assert "\n" not in str(caught.value) and str(path) in str(caught.value)
        return str(caught.value)

    def test_newer(self, path):
        filled(path)
        with closing(sqlite3.connect(path)) as db:
            db.execute(f"PRAGMA user_version = {VERSION + 1}")
        assert "newer version of this program (log version 2)" in self.refused(path)
        with closing(LogReader(path)) as reader:
            assert reader.choruses() == [CHORUS]  # but it is read

    def test_another_programs_database(self, path):
        path.parent.mkdir()
        with closing(sqlite3.connect(path)) as db:
            db.execute("CREATE TABLE photo (name TEXT)")
        assert "is a database, but no practice log" in self.refused(path)
        with pytest.raises(LogError):
            LogReader(path)

    @pytest.mark.parametrize("content", [b"x", b"Dear diary,\n" * 200, bytes(range(256)) * 64])
    def test_no_database(self, path, content):
        path.parent.mkdir()
        path.write_bytes(content)
        self.refused(path)

    def test_cut_off(self, path):
        filled(path, [CHORUS._replace(tune="t" * 500)] * 40)
        whole = path.read_bytes()
        path.write_bytes(whole[: len(whole) // 2])
        told = self.refused(path)
        assert "damaged" in told or "malformed" in told, told

    def test_a_folder_in_its_place(self, path):
        path.mkdir(parents=True)
        with pytest.raises(LogError):
            Log(path)

    def test_a_place_that_cannot_be(self, tmp_path):
        (tmp_path / "file").touch()
        with pytest.raises(LogError, match="cannot be opened: "):
            Log(tmp_path / "file" / "practice.sqlite")

    @examples(400)
    @given(st.integers(0, 10_000), st.binary(min_size=1, max_size=200))
    def test_any_damage_is_told_or_harmless(self, place, junk):
        """Also where text is no text any more, which sqlite3 tells by a UnicodeDecodeError."""
        with tempfile.TemporaryDirectory(dir=FAST) as folder:
            path = Path(folder) / "practice.sqlite"
            path.write_bytes(_WHOLE)
            with open(path, "r+b") as file:
                file.seek(place % len(_WHOLE))
                file.write(junk)
            try:
                with closing(LogReader(path)) as reader:
                    read = reader.sessions(), reader.choruses(), reader.repetitions()
                text_summary(*read), tempo_svg(read[2]), csv_table(*read[1:])
                filled(path)
            except LogError as error:
                assert "\n" not in str(error)


def _whole() -> bytes:
    with tempfile.TemporaryDirectory() as folder:
        filled(Path(folder) / "log", [CHORUS, REPETITION] * 30)
        return (Path(folder) / "log").read_bytes()


_WHOLE = _whole()


@pytest.mark.slow
class TestKilled:
    """SIGKILL at random moments; thousands of times in tests/release.

    What the power does to a disk's own cache cannot be tested so.
    """

    def test_hundreds_of_times(self):
        check_killed_in_memory(200)

    def test_on_a_disk(self, tmp_path):
        *_, entries = killed(tmp_path, 40, 0.1)
        assert entries > 20
