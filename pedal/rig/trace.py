"""The flight recorder: lines to a file, without the loop ever waiting for a disk."""

import queue
import threading
from pathlib import Path

from pedal.rig.errors import RigError

_CLOSE_S = 2.0


class TraceWriter:
    """Appends lines to a file from a thread of its own.

    The loop hands lines over; what finds the queue full, or the disk, is dropped and counted.
    After the first error of the file nothing more is written.
    """

    def __init__(self, path: str | Path, capacity: int = 4096) -> None:
        """Open `path` for appending; at most `capacity` lines wait. Raises RigError."""
        try:
            self._file = open(path, "ab")  # noqa: SIM115 - closed by the thread
        except OSError as error:
            raise RigError(f"trace {str(path)!r} cannot be opened: {error.strerror}") from None
        self.error: str | None = None
        """The first error of the file, in one line."""
        self._path = path
        self._refused = 0
        self._lost = 0
        self._unflushed = 0
        self._queue: queue.Queue[str | None] = queue.Queue(capacity)
        self._thread = threading.Thread(target=self._run, name="trace", daemon=True)
        self._thread.start()

    @property
    def dropped(self) -> int:
        """How many lines never reached the file."""
        return self._refused + self._lost

    def write(self, line: str) -> None:
        """Hand over one line, without its line end. Never waits, never raises. One thread only."""
        try:
            self._queue.put_nowait(line)
        except queue.Full:
            self._refused += 1

    def close(self) -> None:
        """Write what is waiting and close; gives a stuck disk two seconds. May be called again."""
        if self._thread.is_alive():
            try:
                self._queue.put(None, timeout=_CLOSE_S)
            except queue.Full:
                return
            self._thread.join(_CLOSE_S)

    def _run(self) -> None:
        while (line := self._queue.get()) is not None:
            self._put_out(line)
        try:
            self._file.close()
        except OSError as error:
            self._give_up(error)

    def _put_out(self, line: str) -> None:
        self._unflushed += 1
        if self.error is not None:
            self._give_up_lines()
            return
        try:
            self._file.write(line.encode(errors="backslashreplace") + b"\n")
            # Flushing only when nothing waits saves system calls when lines come in bursts.
            if self._queue.empty():
                self._file.flush()
                self._unflushed = 0
        except OSError as error:
            self._give_up(error)

    def _give_up(self, error: OSError) -> None:
        if self.error is None:
            self.error = f"trace {str(self._path)!r} stopped: {error.strerror}"
        self._give_up_lines()

    def _give_up_lines(self) -> None:
        self._lost += self._unflushed
        self._unflushed = 0
