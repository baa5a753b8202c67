"""Writing the practice log outside the loop.

The loop hands over results; a thread writes them, one transaction each. What finds the queue full,
or the file unusable, is dropped and counted. A session is what lies between two pauses of more
than half an hour; it ends with the last thing that was played.
"""

import queue
import threading
import time
from collections.abc import Callable
from datetime import datetime
from pathlib import Path
from typing import NamedTuple

from ..events import ChorusDone, RepetitionDone
from .clean import clean_tempos
from .store import Chorus, Log, LogError, LogReader, Repetition

PAUSE_S = 30 * 60
NEWEST = 256
"""Repetitions of a change that a question goes by: half an hour of nothing but this change, or more.

Where a change has no more of them, the answer is that of the whole log. Where it has, a clean tempo counts
no longer when it lies behind so many repetitions without one (or on a day with more, or on one that
a clock without a battery took for a later one).
"""
_CLOSE_S = 3.0


class _Entry(NamedTuple):
    at: float  # seconds since 1970
    done: ChorusDone | RepetitionDone | None  # None: the band plays, or has just stopped


class _Question(NamedTuple):
    tune: str
    key: str
    answer: Callable[[dict[int, int]], None]


class LogWriter:
    """A log that never keeps the loop waiting. `take`, `playing` and `ask` come from one thread."""

    def __init__(
        self,
        path: Path,
        trouble: Callable[[str], None] = lambda text: None,
        capacity: int = 256,
        now: Callable[[], float] = time.time,
    ) -> None:
        """`trouble` is told in the thread, once, why the log cannot be written."""
        self.error: str | None = None
        """Why something could not be written, in one line."""
        self._path, self._trouble, self._now = path, trouble, now
        self._refused = self._lost = 0
        self._session: int | None = None
        self._last = 0.0
        self._noted = 0.0
        self._queue: queue.Queue[_Entry | _Question | None] = queue.Queue(capacity)
        self._thread = threading.Thread(target=self._run, name="log", daemon=True)
        self._thread.start()

    @property
    def dropped(self) -> int:
        """How many entries never reached the file."""
        return self._refused + self._lost

    # ---- the loop's side: never waits, never raises ---------------------------------------

    def take(self, done: ChorusDone | RepetitionDone) -> None:
        """Keep a chorus or a repetition of a drill."""
        self._hand_over(_Entry(self._now(), done))

    def playing(self) -> None:
        """The band plays: a session is on. Called at every beat; noted once a minute."""
        now = self._now()
        if not 0 <= now - self._noted < 60:
            self._noted = now
            self._hand_over(_Entry(now, None))

    def stopped(self) -> None:
        """The music is over for now."""
        self._noted = 0.0
        self._hand_over(_Entry(self._now(), None))

    def ask(self, tune: str, key: str, answer: Callable[[dict[int, int]], None]) -> None:
        """Have `answer` called, in the thread, with the clean tempo (mbpm) by the bar of each change.

        It is that of the last day on which there was one.
        """
        try:
            self._queue.put_nowait(_Question(tune, key, answer))
        except queue.Full:
            pass

    def close(self) -> None:
        """Write what is waiting; gives a stuck disk three seconds. May be called again."""
        if self._thread.is_alive():
            try:
                self._queue.put(None, timeout=_CLOSE_S)
            except queue.Full:
                return
            self._thread.join(_CLOSE_S)

    def _hand_over(self, entry: _Entry) -> None:
        try:
            self._queue.put_nowait(entry)
        except queue.Full:
            self._refused += 1

    # ---- the thread's side ----------------------------------------------------------------

    def _run(self) -> None:
        log = self._open()
        while (what := self._queue.get()) is not None:
            if isinstance(what, _Question):
                what.answer(_answer(self._path, what))
            elif log is None:
                self._lost += 1
            else:
                self._write(log, what)
        if log:
            log.close()

    def _open(self) -> Log | None:
        try:
            return Log(self._path)
        except LogError as error:
            self._fail(f"{error}; it is only read, and nothing is added to it")
            return None

    def _write(self, log: Log, entry: _Entry) -> None:
        at = datetime.fromtimestamp(entry.at).astimezone().isoformat(timespec="seconds")
        try:
            if self._session is None or not -PAUSE_S <= entry.at - self._last <= PAUSE_S:
                self._session = log.begin(at)
            if entry.done is None:
                log.extend(self._session, at)
            else:
                log.add(self._session, _row(at, entry.done))
            self._last = entry.at
        except LogError as error:  # a full disk may have room again: the next entry is tried, too
            self._lost += 1
            self._fail(str(error))

    def _fail(self, text: str) -> None:
        if self.error is None:
            self.error = text
            self._trouble(text)


def _row(at: str, done: ChorusDone | RepetitionDone) -> Chorus | Repetition:
    if isinstance(done, ChorusDone):
        return Chorus(at, done.tune, done.key, done.mbpm, done.chorus)
    return Repetition(at, done.tune, done.key, done.change, done.clean, done.pace, done.mbpm)


def _answer(path: Path, question: _Question) -> dict[int, int]:
    try:
        reader = LogReader(path, whole=False)
    except LogError:
        return {}
    try:
        entries = reader.newest(question.tune, question.key, NEWEST)
    except LogError:
        return {}
    finally:
        reader.close()
    return clean_tempos(entries, question.tune, question.key)
