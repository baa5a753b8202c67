"""`pedal run` as a process of its own, with a pseudo-terminal in place of the player."""

import contextlib
import json
import os
import re
import select
import signal
import subprocess
import termios
import threading
from collections.abc import Callable, Mapping
from pathlib import Path
from typing import Any

from tests.support.commands import PEDAL
from tests.support.wait import wait_for


class Desk:
    """Start it, type, read what it says, follow its trace."""

    def __init__(self, *arguments: str, environ: Mapping[str, str], trace: Path | None = None) -> None:
        self._person: int | None
        self._person, self.terminal = os.openpty()
        self.before = termios.tcgetattr(self.terminal)
        self._trace = trace
        self._said = bytearray()
        more = ["--trace", str(trace)] if trace else []
        self.process = subprocess.Popen(
            [PEDAL, "run", *arguments, *more],
            stdin=self.terminal,
            stdout=self.terminal,
            stderr=self.terminal,
            env=dict(environ),
            start_new_session=True,
            preexec_fn=_take_terminal,
        )
        self._reader = threading.Thread(target=self._read, daemon=True)
        self._stop_read, self._stop_write = os.pipe()
        self._reader.start()

    def _read(self) -> None:
        while True:
            readable, _, _ = select.select([self._person, self._stop_read], [], [])
            if self._person in readable:
                with contextlib.suppress(OSError):
                    self._said += os.read(self._person, 4096)
            elif self._stop_read in readable:
                return

    @property
    def said(self) -> str:
        """What is on the screen, without the lamps."""
        text = re.sub(r"\r?\n", "\n", self._said.decode(errors="replace"))
        return "\n".join(line.rsplit("\r", 1)[-1].removeprefix("\x1b[K") for line in text.split("\n"))

    def type(self, keys: str) -> None:
        os.write(self._person, keys.encode())

    def wait_said(self, pattern: str, seconds: float = 20.0) -> re.Match:
        """Wait until something is on the screen."""

        def look() -> re.Match | None:
            found = re.search(pattern, self.said)
            assert found or self.process.poll() is None, f"ended, having said: {self.said}"
            return found

        try:
            return wait_for(f"{pattern!r} on the screen", look, seconds)
        except AssertionError as error:
            raise AssertionError(f"{error}; it said: {self.said}") from None

    def trace(self) -> list[dict[str, Any]]:
        """The lines so far that are whole."""
        text = self._trace.read_text() if self._trace.exists() else ""
        return [json.loads(line) for line in text.splitlines(keepends=True) if line.endswith("\n")]

    def wait_trace(self, what: str, wanted: Callable[[dict], bool], since: int = 0) -> int:
        """Wait for a line of the trace; returns the number of the line after it."""

        def look() -> int | None:
            lines = self.trace()
            return next((n + 1 for n, line in enumerate(lines) if n >= since and wanted(line)), None)

        return wait_for(what, look, 20.0)

    def wait_place(self, bar: int, beat: int, since: int = 0) -> int:
        """Wait until the band is at a beat of the form."""
        place = {"type": "position", "bar": bar, "beat": beat}

        def there(line: dict) -> bool:
            return place.items() <= line.items() and line["chorus"] > 0

        return self.wait_trace(f"bar {bar} beat {beat}", there, since)

    def hang_up(self) -> None:
        """The player's terminal is closed."""
        os.write(self._stop_write, b"!")
        self._reader.join()
        os.close(self._person)
        self._person = None

    def signal(self, number: signal.Signals) -> None:
        self.process.send_signal(number)

    def end(self, seconds: float = 5.0) -> int:
        """Wait for it to end; the exit status."""
        return self.process.wait(seconds)

    def close(self) -> None:
        if self.process.poll() is None:
            self.process.kill()
            self.process.wait()
        os.close(self._stop_write)
        self._reader.join()
        for fd in (self._person, self.terminal, self._stop_read):
            if fd is not None:
                os.close(fd)


def _take_terminal() -> None:
    """In the child: the pseudo-terminal is the one that Ctrl-C and hanging up come from."""
    import fcntl

    fcntl.ioctl(0, termios.TIOCSCTTY, 0)
