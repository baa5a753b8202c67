"""What the box keeps, and may find again damaged: the saved state, and the practice log."""

import os
import sqlite3
import tempfile
from collections.abc import Hashable
from contextlib import closing, suppress
from pathlib import Path

from pedal.export.tempo_svg import tempo_svg
from pedal.library.settings import Config
from pedal.practice_log.clean import clean_tempos
from pedal.practice_log.store import Chorus, Log, LogError, LogReader, Repetition
from pedal.practice_log.summary import csv_table, text_summary
from pedal.service.last_state import LastState, pack, resume, unpack, written

from .format import Format, need, one_line
from .mutate import Mutator

_SHM = Path("/dev/shm")


def folder_of(format: Format) -> Path:
    """A folder for one run, in memory where there is one."""
    place = _SHM if os.access(_SHM, os.W_OK) else None
    return Path(format.stack.enter_context(tempfile.TemporaryDirectory(dir=place, prefix="pedal-fuzz-")))


class Remembered(Format):
    """The file that says what was on when the box was last used."""

    name = "saved state"
    slice = 20_000
    tokens = (
        *(b"null", b"true", b"[]", b"{}", b'""', b"NaN", b"1e999", b"\xff", b"\\ud800", b'"version": '),
        *(b'"wet-boots"', b'"Am"', b'"drill"', b'"settings": ', b"[" * 2000, b"../", b"40000", b"260001"),
    )

    def __init__(self) -> None:
        super().__init__()
        self._path = folder_of(self) / "state.json"
        self._fed = 0

    def seeds(self) -> list[bytes]:
        settings = written(Config())
        states = (
            LastState("wet-boots", "A", 112_000, "vamp"),
            LastState("fog-on-platform-four", "C#m", 60_000, "drill"),
        )
        return [*(pack(state, settings) for state in states), pack(states[0], [])]

    def feed(self, data: bytes) -> Hashable:
        self._fed += 1
        try:
            state, settings = unpack(data)
            kind: Hashable = state.mode, state.mbpm // 50_000
            again = unpack(pack(state, settings))
            need(again[0] == state and repr(again[1]) == repr(settings), "not the same again:", state)
        except ValueError as error:
            one_line(error)
            kind = str(error)[:20]
        if self._fed % 16 == 0 or isinstance(kind, tuple):
            self._path.write_bytes(data)
            config, why_not = resume(Config(), self._path)
            need(isinstance(config, Config), "no settings")
            if why_not:
                one_line(why_not)
        return kind


AT = "2026-11-25T19:30:05+01:00"


class Practice(Format):
    """The practice log: read, summed up, drawn, and written on if it is sound; never written over."""

    name = "SQLite log"
    slice = 3_000
    longest = 40_000
    tokens = (
        b"\x00\x00\x00\x00",
        b"\xff\xff\xff\xff",
        b"chorus",
        b"INTEGER",
        b"CREATE TABLE",
        b"2026-11-25",
        b"\x53",
    )

    def __init__(self) -> None:
        super().__init__()
        self.path = folder_of(self) / "practice.sqlite"
        self.beside = self.path.with_name("practice.sqlite-journal")
        self._seeds: list[bytes] = []

    def seeds(self) -> list[bytes]:
        if not self._seeds:
            self._seeds = [
                b"",
                *(self._sound(size, count) for size, count in ((512, 9), (512, 0), (4096, 40))),
            ]
        return self._seeds

    def _sound(self, page: int, count: int) -> bytes:
        self._tidy()
        with closing(Log(self.path)) as log:
            session = log.begin(AT)
            for n in range(count):
                log.add(session, Repetition(AT, "wet-boots", "A", 5, True, 700, 78_400 + n // 3 * 1000))
                log.add(session, Chorus(AT, "wet-boots", "A", 112_000, n))
        with closing(sqlite3.connect(self.path)) as db:
            db.execute(f"PRAGMA page_size = {page}")
            db.execute("VACUUM")
        return self.path.read_bytes()

    def make(self, mutator: Mutator) -> bytes:
        dice = mutator.dice
        if dice.random() > 0.3:
            return mutator.make()
        # A file that is sound as a database, with something odd in one place of it.
        with closing(sqlite3.connect(":memory:")) as db, suppress(sqlite3.Error):
            db.deserialize(dice.choice(self.seeds()[1:]))
            for _ in range(dice.randrange(1, 3)):
                table, columns = dice.choice(
                    (("session", "began ended"), ("chorus", _CHORUS), ("repetition", _REP))
                )
                column = dice.choice(columns.split())
                rows = dice.choice(("", " WHERE id % 2", " WHERE id = 1"))
                db.execute(f"UPDATE {table} SET {column} = {dice.choice(_ODD)}{rows}")
            if dice.random() < 0.3:
                db.execute(dice.choice(_STATEMENTS))
            db.commit()
            return db.serialize()
        return mutator.make()

    def feed(self, data: bytes) -> Hashable:
        self._tidy()
        self.path.write_bytes(data)
        return self._look()

    def _tidy(self) -> None:
        for path in (self.path, self.beside):
            path.unlink(missing_ok=True)

    def _look(self) -> Hashable:
        found = self._damage()
        kind = self._read()
        if found:
            one_line(found)
            before = self._head()
            with suppress(LogError):
                Log(self.path).close()
                need("entries" in found, "damaged, and opened for writing:", found)
            need(self._head() == before, "a damaged log was written to:", found)
        else:
            kind = (kind, self._write())
        return kind

    def _damage(self) -> str | None:
        try:
            LogReader(self.path).close()
        except LogError as error:
            return str(error)
        return None

    def _head(self) -> tuple[int, bytes]:
        """A journal that lies about the size makes a file of terabytes with nothing in them."""
        with self.path.open("rb") as file:
            return self.path.stat().st_size, file.read(1 << 20)

    def _read(self) -> Hashable:
        try:
            with closing(LogReader(self.path)) as reader:
                sessions, choruses, repetitions = reader.sessions(), reader.choruses(), reader.repetitions()
        except LogError as error:
            one_line(error)
            return str(error).removeprefix(f"practice log {str(self.path)!r}")[:40]
        text_summary(sessions, choruses, repetitions)
        csv_table(choruses, repetitions)
        need(len(tempo_svg(repetitions)) < 200_000, "a chart too large")
        clean_tempos(repetitions, "wet-boots", "A")
        return len(sessions), len(choruses) % 8, len(repetitions) % 8

    def _write(self) -> Hashable:
        before = self._head()
        try:
            log = Log(self.path)
        except LogError as error:
            need(self._head() == before, "a log that is not opened was written to:", error)
            one_line(error)
            return str(error).removeprefix(f"practice log {str(self.path)!r}")[:40]
        try:
            with closing(log):
                log.add(log.begin(AT), Chorus(AT, "wet-boots", "A", 112_000, 1))
        except LogError as error:
            one_line(error)
            return str(error).removeprefix(f"practice log {str(self.path)!r}")[:40]
        return "written"


_CHORUS, _REP = "at tune key mbpm chorus session", "at tune key change clean pace mbpm session"
_ODD = (
    *("NULL", "''", "x'00ff'", "0", "-1", "1", "9223372036854775807", "-9223372036854775808", "1e308", "0.5"),
    *("CAST(x'ff80' AS TEXT)", "'2026-11-25'", "'20261125T193005+0100'", "'2026-W48-3T19:30:05+01:00'"),
    *("'0001-01-01T00:00:00+14:00'", "'9999-12-31T23:59:59-14:00'", "'2026-11-25T19:30:05Z'", "char(10)"),
    *(
        "zeroblob(9999)",
        "printf('%.*c', 9000, 'x')",
        "'<b>&\"'",
        "char(0)",
        "10000000",
        "id * 1000000",
        "'A'",
    ),
)
_STATEMENTS = (
    "PRAGMA user_version = 2",
    "PRAGMA user_version = -1",
    "PRAGMA application_id = 1",
    "DROP TABLE chorus",
    "DROP TABLE repetition",
    "CREATE VIEW v AS SELECT * FROM v",
    "ALTER TABLE chorus RENAME TO old",
    "ALTER TABLE session ADD COLUMN more",
    "CREATE TRIGGER t AFTER INSERT ON chorus BEGIN INSERT INTO chorus SELECT * FROM chorus; END",
    "CREATE TRIGGER t BEFORE INSERT ON session BEGIN SELECT RAISE(ABORT, 'no'); END",
    "DELETE FROM session",
)


class Journal(Practice):
    """A log beside which a writer that was killed has left its journal: the journal is what is damaged."""

    name = "SQLite journal"

    def __init__(self) -> None:
        super().__init__()
        self._half, self._left = self._killed()

    def _killed(self) -> tuple[bytes, bytes]:
        """The two files in the middle of a commit."""
        self._sound(512, 40)
        with closing(sqlite3.connect(self.path, isolation_level=None)) as db:
            db.execute("PRAGMA cache_size = 1")
            db.execute("PRAGMA cache_spill = 1")
            db.execute("BEGIN IMMEDIATE")
            db.execute("UPDATE chorus SET tune = 'half' || tune")
            half, left = self.path.read_bytes(), self.beside.read_bytes()
            db.execute("ROLLBACK")
        need(len(left) > 512, "no journal was left")
        return half, left

    def seeds(self) -> list[bytes]:
        return [self._left, self._left[:2000], b""]

    def make(self, mutator: Mutator) -> bytes:
        return mutator.make()

    def feed(self, data: bytes) -> Hashable:
        self._tidy()
        self.path.write_bytes(self._half)
        self.beside.write_bytes(data)
        return self._look()
