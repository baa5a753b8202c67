"""The flight recorder: lines to a file, without the loop ever waiting for a disk."""

import threading
from collections import deque
from pathlib import Path

from ..errors import file_errors

_CLOSE_S = 2.0
# The loop wakes nobody: a thread that starts at once would want the interpreter while the next
# beat is composed. It looks by itself, and lines that have gathered cost hardly more than one.
_PERIOD_S = 0.05


class TraceWriter:
    """Appends lines to a file from a thread of its own, some twenty times a second.

    The loop hands lines over; what finds the queue full, or the disk, is dropped and counted.
    After the first error of the file nothing more is written.
    """

    def __init__(self, path: str | Path, capacity: int = 4096) -> None:
        """Open `path` for appending; at most `capacity` lines wait. Raises FileError."""
        with file_errors(f"trace {str(path)!r} cannot be opened"):
            self._file = open(path, "ab")  # noqa: SIM115 - closed by the thread
        self.error: str | None = None
        """The first error of the file, in one line."""
        self._path = path
        self._capacity = capacity
        self._refused = 0
        self._lost = 0
        self._lines: deque[str] = deque()
        self._closing = threading.Event()
        self._thread = threading.Thread(target=self._run, name="trace", daemon=True)
        self._thread.start()

    @property
    def dropped(self) -> int:
        """How many lines never reached the file."""
        return self._refused + self._lost

    def write(self, line: str) -> None:
        """Hand over one line, without its line end. Never waits, never raises. One thread only."""
        if len(self._lines) < self._capacity:
            self._lines.append(line)
        else:
            self._refused += 1

    def close(self) -> None:
        """Write what is waiting and close; gives a stuck disk two seconds. May be called again."""
        self._closing.set()
        self._thread.join(_CLOSE_S)

    def _run(self) -> None:
        while not self._closing.wait(_PERIOD_S):
            self._write_waiting()
        self._write_waiting()
        try:
            self._file.close()
        except OSError as error:  # only what failed before, tried once more
            self.error = self.error or self._complaint(error)

    def _write_waiting(self) -> None:
        if not self._lines:
            return
        lines = [self._lines.popleft() for _ in range(len(self._lines))]
        if self.error is None:
            try:
                self._file.write(("\n".join(lines) + "\n").encode(errors="backslashreplace"))
                self._file.flush()
                return
            except OSError as error:
                self.error = self._complaint(error)
        self._lost += len(lines)

    def _complaint(self, error: OSError) -> str:
        return f"trace {str(self._path)!r} stopped: {error.strerror}"
