"""The practice log: one SQLite file.

Every entry is a transaction of its own with `synchronous=FULL`: what is committed survives the
plug being pulled. The journal is truncated, not deleted, so that the commit itself reaches the
card. A file that is newer than this program, that is broken, or that is no practice log is only
read; nothing is ever written over it.

Times are the player's own, with the offset to UTC (`2026-11-25T19:30:05+01:00`): the day of an
entry is the day it was for the player.
"""

import os
import sqlite3
import time
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from datetime import datetime
from pathlib import Path
from typing import Any, NamedTuple

from ..errors import FileError

VERSION = 1
APPLICATION = 0x50444C47  # "PDLG", so that another program's database is not taken for a log
_HEAD = b"SQLite format 3\0"
_WAIT_S = 5.0  # for a reader or a backup that holds the file
_MOST_CHANGES = 64  # of a tune: a form has no more bars
_REPETITION = (str, str, str, int, int, int, int)
_STRETCH = 100_000  # steps of SQLite: a millisecond of computing, on a small board some ten
_REST_S = 0.001

_SCHEMA = f"""
BEGIN IMMEDIATE;
CREATE TABLE session (id INTEGER PRIMARY KEY, began TEXT NOT NULL, ended TEXT NOT NULL);
CREATE TABLE chorus (
    id INTEGER PRIMARY KEY, session INTEGER NOT NULL REFERENCES session, at TEXT NOT NULL,
    tune TEXT NOT NULL, key TEXT NOT NULL, mbpm INTEGER NOT NULL, chorus INTEGER NOT NULL
);
CREATE TABLE repetition (
    id INTEGER PRIMARY KEY, session INTEGER NOT NULL REFERENCES session, at TEXT NOT NULL,
    tune TEXT NOT NULL, key TEXT NOT NULL, change INTEGER NOT NULL, clean INTEGER NOT NULL,
    pace INTEGER NOT NULL, mbpm INTEGER NOT NULL
);
CREATE INDEX repetition_of ON repetition (tune, key, change);
PRAGMA application_id = {APPLICATION};
PRAGMA user_version = {VERSION};
COMMIT;
"""


class LogError(FileError):
    """The log cannot be used. One line, fit to be shown."""


class PracticeSession(NamedTuple):
    """When a session began and ended: what lies between two long pauses."""

    began: str
    ended: str


class Chorus(NamedTuple):
    """A chorus that was played: tempo in milli-beats a minute, number in its run."""

    at: str
    tune: str
    key: str
    mbpm: int
    chorus: int


class Repetition(NamedTuple):
    """A repetition of a drill: the bar of the change, clean or not, pace in thousandths."""

    at: str
    tune: str
    key: str
    change: int
    clean: bool
    pace: int
    mbpm: int


class Log:
    """An open log. Used by one thread. Everything raises LogError, and nothing else."""

    def __init__(self, path: Path) -> None:
        """Open a log for writing; make it if it is not there."""
        self.path = path
        with _told(path):
            path.parent.mkdir(parents=True, exist_ok=True)
            _check_head(path)
            self._db = sqlite3.connect(path, timeout=_WAIT_S, isolation_level=None)
        try:
            with _told(path):
                self._db.execute("PRAGMA synchronous = FULL")
                _check(self._db)
                self._db.execute("PRAGMA journal_mode = TRUNCATE")
                if _is_empty(self._db):
                    self._make()
        except LogError:
            self._db.close()
            raise

    def _make(self) -> None:
        try:
            self._db.executescript(_SCHEMA)
        except sqlite3.OperationalError:
            if self._db.in_transaction:
                self._db.execute("ROLLBACK")
            if _is_empty(self._db):  # else another box has made it meanwhile
                raise

    def begin(self, at: str) -> int:
        """A session begins now; its number."""
        with _told(self.path):
            return _number(self._db.execute("INSERT INTO session (began, ended) VALUES (?, ?)", (at, at)))

    def extend(self, session: int, at: str) -> None:
        """The session has gone on until now."""
        with _told(self.path):
            self._db.execute("UPDATE session SET ended = ? WHERE id = ?", (at, session))

    def add(self, session: int, entry: Chorus | Repetition) -> int:
        """Keep an entry, and that the session has gone on until then; the entry's number."""
        table = "chorus" if isinstance(entry, Chorus) else "repetition"
        columns, marks = ", ".join(entry._fields), ", ".join("?" * len(entry))
        with _told(self.path):
            self._db.execute("BEGIN IMMEDIATE")
            try:
                added = self._db.execute(
                    f"INSERT INTO {table} (session, {columns}) VALUES (?, {marks})", (session, *entry)
                )
                self._db.execute("UPDATE session SET ended = ? WHERE id = ?", (entry.at, session))
                self._db.execute("COMMIT")
            except BaseException:
                if self._db.in_transaction:
                    self._db.execute("ROLLBACK")
                raise
        return _number(added)

    def close(self) -> None:
        """Give the file back. May be called again."""
        self._db.close()


class LogReader:
    """A log that is only read: also one that another process writes, and one that is newer."""

    def __init__(self, path: Path, whole: bool = True) -> None:
        """Open it. Raises LogError if there is nothing that can be read.

        Unless it is checked as a `whole`, which takes longer the older the log is, damage is found
        only where it is read.
        """
        self.path = path
        with _told(path):
            there = path.exists()
        if not there:
            raise LogError(f"there is no practice log yet ({path})")
        with _told(path):
            # A writer that was killed has left a journal, which only who may write can play back.
            mode = "rw" if os.access(path, os.W_OK) and os.access(path.parent, os.W_OK) else "ro"
            self._db = sqlite3.connect(f"{path.absolute().as_uri()}?mode={mode}", uri=True, timeout=_WAIT_S)
        try:
            with _told(path):
                self._db.execute("PRAGMA query_only = 1")
                _check(self._db, newer=True, whole=whole)
        except LogError:
            self._db.close()
            raise

    def sessions(self) -> list[PracticeSession]:
        """All sessions in the order in which they were played."""
        return [PracticeSession(*row) for row in self._all("session", PracticeSession._fields, (str, str))]

    def choruses(self) -> list[Chorus]:
        """All choruses in the order in which they were played."""
        rows = self._all("chorus", Chorus._fields, (str, str, str, int, int))
        return [Chorus(*row) for row in rows]

    def repetitions(self) -> list[Repetition]:
        """All repetitions of drills in the order in which they were played."""
        return _repetitions(self._all("repetition", Repetition._fields, _REPETITION))

    def newest(self, tune: str, key: str, most: int) -> list[Repetition]:
        """Of each change of a tune in a key the newest repetitions, change by change, oldest first.

        However long the log is, it reads what it returns, and one row of the index for each change.
        """
        rows: list[tuple[Any, ...]] = []
        with _told(self.path):
            change = None if _is_empty(self._db) else self._next_change(tune, key, -1)
            for _ in range(_MOST_CHANGES):
                if change is None:
                    break
                found = self._db.execute(
                    f"SELECT {', '.join(Repetition._fields)} FROM repetition "
                    "WHERE tune = ? AND key = ? AND change = ? ORDER BY id DESC LIMIT ?",
                    (tune, key, change, most),
                ).fetchall()
                rows += reversed(found)
                change = self._next_change(tune, key, change)
            _check_rows(rows, _REPETITION)
        return _repetitions(rows)

    def _next_change(self, tune: str, key: str, after: int) -> int | None:
        asked = "SELECT min(change) FROM repetition WHERE tune = ? AND key = ? AND change > ?"
        change: int | None = self._db.execute(asked, (tune, key, after)).fetchone()[0]
        return change

    def close(self) -> None:
        """Give the file back. May be called again."""
        self._db.close()

    def _all(self, table: str, columns: tuple[str, ...], kinds: tuple[type, ...]) -> list[tuple[Any, ...]]:
        with _told(self.path):
            if _is_empty(self._db):
                return []
            rows = self._db.execute(f"SELECT {', '.join(columns)} FROM {table} ORDER BY id").fetchall()
            _check_rows(rows, kinds, (0, 1) if table == "session" else (0,))
            return rows


def _number(inserted: sqlite3.Cursor) -> int:
    """The number of the row that was just inserted."""
    assert inserted.lastrowid is not None  # it is None before the first INSERT only
    return inserted.lastrowid


def _repetitions(rows: Sequence[tuple[Any, ...]]) -> list[Repetition]:
    return [Repetition(*row)._replace(clean=bool(row[4])) for row in rows]


def _check_rows(
    rows: Sequence[tuple[Any, ...]], kinds: tuple[type, ...], moments: tuple[int, ...] = (0,)
) -> None:
    """In a damaged file there may be anything, and the checks of SQLite let much of it pass."""
    if any(tuple(map(type, row)) != kinds for row in rows) or not all(
        _is_moment(row[at]) for row in rows for at in moments
    ):
        raise LogError("is damaged: there are entries in it that are none")


def _check(db: sqlite3.Connection, newer: bool = False, whole: bool = True) -> None:
    """Raises LogError if this is no log of ours; with `newer`, one of a later version is."""
    version, application = (
        db.execute(f"PRAGMA {what}").fetchone()[0] for what in ("user_version", "application_id")
    )
    if _is_empty(db):
        return
    if application != APPLICATION:
        raise LogError("is a database, but no practice log")
    if version > VERSION and not newer:
        raise LogError(f"was written by a newer version of this program (log version {version})")
    if whole:
        _check_whole(db)


def _check_whole(db: sqlite3.Connection) -> None:
    """Reads all of the file. With rests: real-time priority is given to no thread that never waits."""
    db.set_progress_handler(lambda: time.sleep(_REST_S), _STRETCH)
    for (finding,) in db.execute("PRAGMA quick_check(1)"):
        if finding != "ok":
            raise LogError(f"is damaged: {' '.join(str(finding).split())[:200]}")
    db.set_progress_handler(None, 0)


def _check_head(path: Path) -> None:
    """SQLite takes a file of a few bytes for an empty one, and would write over it."""
    if path.exists() and (head := path.open("rb").read(len(_HEAD))) not in (b"", _HEAD):
        raise LogError(f"is no practice log, but begins with {head!r}")


def _is_empty(db: sqlite3.Connection) -> bool:
    tables: int = db.execute("SELECT count(*) FROM sqlite_master").fetchone()[0]
    return tables == 0


def _is_moment(text: str) -> bool:
    try:
        return datetime.fromisoformat(text).utcoffset() is not None
    except ValueError:
        return False


@contextmanager
def _told(path: Path) -> Iterator[None]:
    """Whatever goes wrong, as one line that names the file."""
    where = f"practice log {str(path)!r}"
    try:
        yield
    except LogError as error:
        raise (error if str(error).startswith("practice log") else LogError(f"{where} {error}")) from None
    except OSError as error:
        raise LogError(f"{where} cannot be opened: {error.strerror}") from None
    except UnicodeDecodeError:  # in a damaged file there may be text that is none
        raise LogError(f"{where} is damaged: there is text in it that is none") from None
    except sqlite3.Error as error:
        raise LogError(f"{where}: {' '.join(str(error).split())[:200]}") from None
