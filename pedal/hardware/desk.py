"""A desk instead of a foot: keys of the terminal as switches, one line of it as lamps.

A terminal reports no key release, so each key plays out a whole gesture:

    tap      ▔╲▁╱▔▔▔▔▔▔▔▔   80 ms
    double   ▔╲▁╱▔╲▁╱▔▔▔▔   presses at 0 and 200 ms
    hold     ▔╲▁▁▁▁▁▁▁▁▁╱▔   800 ms

Every edge is put when it is due. While a gesture lasts the foot is on that switch, and
further keys for it do nothing (the repeat of a key held down included).
"""

import contextlib
import heapq
import os
import select
import shutil
import sys
import threading
import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Any, Literal, Self, TextIO

from pedal.events import DEGREE_LAMPS, NS_PER_MS, NS_PER_S, Press, Quit, Release
from pedal.hardware.box import Box
from pedal.hardware.errors import TerminalError
from pedal.hardware.keys import Keys
from pedal.hardware.lamp import LampBackend, LampBoard
from pedal.hardware.switch import Put, SwitchSource

Gesture = Literal["tap", "double", "hold"]

GESTURES: dict[Gesture, tuple[tuple[int, type[Press] | type[Release]], ...]] = {
    "tap": ((0, Press), (80, Release)),
    "double": ((0, Press), (80, Release), (200, Press), (280, Release)),
    "hold": ((0, Press), (800, Release)),
}
"""Milliseconds after the key, and the edge."""

KEYS: dict[str, tuple[str, Gesture]] = {
    " ": ("main", "tap"),
    "d": ("main", "double"),
    "h": ("main", "hold"),
    "s": ("second", "tap"),
    "S": ("second", "hold"),
}
"""Key: switch and gesture."""

QUIT_KEYS = ("q", "\x03")


def check_terminal(fd: int | None = None) -> int:
    """The descriptor of a terminal to take keys from (standard input if None). Raises TerminalError."""
    try:
        found = sys.stdin.fileno() if fd is None else fd
        if os.isatty(found):
            return found
    except (AttributeError, OSError, ValueError):  # there is none, it is closed, or no file
        pass
    raise TerminalError("standard input is not a terminal, so there are no keys to play with")


class DeskKeys(SwitchSource):
    """The keys of a terminal as two switches; `q` or Ctrl-C puts `Quit`."""

    def __init__(self, fd: int | None = None) -> None:
        """Read from `fd` (standard input if None). Raises TerminalError if that is no terminal."""
        self.names = ("main", "second")
        self._fd = check_terminal(fd)
        self._restore: Callable[[], None] = lambda: None
        self._due: list[tuple[int, Press | Release]] = []
        self._wake_read, self._wake_write = os.pipe()
        self._thread: threading.Thread | None = None
        self._closed = False

    def start(self, put: Put) -> None:
        """Take the terminal over and read keys in a thread. Raises TerminalError if it is gone."""
        self._restore = _take_keys_raw(self._fd)
        self._thread = threading.Thread(target=self._run, args=(put,), name="desk-keys", daemon=True)
        self._thread.start()

    def close(self) -> None:
        """Give the terminal back as it was."""
        if self._closed:
            return
        self._closed = True
        os.close(self._wake_write)
        if self._thread is not None:
            self._thread.join()
        os.close(self._wake_read)
        self._restore()

    def _run(self, put: Put) -> None:
        listening = [self._fd, self._wake_read]
        while True:
            readable, _, _ = select.select(listening, [], [], self._seconds_to_next())
            now = time.monotonic_ns()
            while self._due and self._due[0][0] <= now:
                put(heapq.heappop(self._due)[1])
            if self._wake_read in readable:
                return
            if self._fd in readable:
                keys = _read(self._fd)
                if not keys:  # the terminal is gone
                    put(Quit(now))
                    listening.remove(self._fd)
                for key in keys:
                    self._strike(key, now, put)

    def _strike(self, key: str, now: int, put: Put) -> None:
        if key in QUIT_KEYS:
            put(Quit(now))
            return
        if key not in KEYS:
            return
        switch, gesture = KEYS[key]
        if any(edge.switch == switch for _, edge in self._due):
            return
        for after_ms, edge in GESTURES[gesture]:
            at = now + after_ms * NS_PER_MS
            heapq.heappush(self._due, (at, edge(at, switch)))
        put(heapq.heappop(self._due)[1])

    def _seconds_to_next(self) -> float | None:
        if not self._due:
            return None
        return max(0, self._due[0][0] - time.monotonic_ns()) / NS_PER_S


@dataclass(frozen=True, slots=True)
class TerminalLamps(LampBackend):
    """The line of lamps on standard error."""

    @classmethod
    def read(cls, keys: Keys, lamps: Sequence[str]) -> Self:
        """There is nothing to set."""
        return cls()

    def lamps(self) -> tuple[str, ...]:
        """Always the same."""
        return DEGREE_LAMPS

    def open(self, box: Box) -> "DeskLamps":
        """A line that draws nothing if nobody looks."""
        return DeskLamps(DEGREE_LAMPS)


class DeskLamps(LampBoard):
    """One line of the terminal: each lamp's name and sign, lit ● or dark ○, then a text."""

    def __init__(self, names: Sequence[str], stream: TextIO | None = None) -> None:
        """Draw on `stream` (standard error if None); on anything but a terminal, nothing."""
        self.names = tuple(names)
        self._stream = sys.stderr if stream is None else stream
        self._draws = self._stream is not None and self._stream.isatty()
        self._encoding = (self._draws and self._stream.encoding) or "ascii"
        self._signs = _signs(self._encoding)
        self._lit = dict.fromkeys(self.names, False)
        self._text = ""

    def set(self, name: str, lit: bool) -> None:
        """Switch a lamp."""
        if self._lit.get(name, lit) != lit:
            self._lit[name] = lit
            self._draw()

    def status(self, text: str) -> None:
        """Show one line of text beside the lamps."""
        if text != self._text:
            self._text = text
            self._draw()

    def close(self) -> None:
        """All off, and on to the next line."""
        if self._draws:
            self._lit = dict.fromkeys(self.names, False)
            self._draw(end="\n")
            self._draws = False

    def _draw(self, end: str = "") -> None:
        if not self._draws:
            return
        lamps = "  ".join(f"{name} {self._signs[lit]}" for name, lit in self._lit.items())
        line = f"{lamps}   {self._text}"[: shutil.get_terminal_size().columns - 1]
        try:
            line = line.encode(self._encoding, errors="replace").decode(self._encoding)
            self._stream.write(f"\r{line}\x1b[K{end}")
            self._stream.flush()
        except (OSError, ValueError):  # the terminal is gone, or the stream closed
            self._draws = False


def _signs(encoding: str) -> dict[bool, str]:
    try:
        "●○".encode(encoding)
    except UnicodeEncodeError:
        return {True: "#", False: "."}
    return {True: "●", False: "○"}


def _read(fd: int) -> str:
    with contextlib.suppress(OSError):
        return os.read(fd, 64).decode(errors="ignore")
    return ""


def _take_keys_raw(fd: int) -> Callable[[], None]:
    """Keys one by one, unechoed, with Ctrl-C as a key. Returns what puts everything back.

    Raises TerminalError.
    """
    import atexit
    import termios

    def restore() -> None:
        atexit.unregister(restore)
        with contextlib.suppress(termios.error, OSError):
            termios.tcsetattr(fd, termios.TCSANOW, before)

    try:
        before: list[Any] = termios.tcgetattr(fd)
        after: list[Any] = termios.tcgetattr(fd)
        after[0] &= ~termios.IXON  # Ctrl-S would stop the output, and with it the loop
        after[3] &= ~(termios.ICANON | termios.ECHO)
        after[6][termios.VMIN], after[6][termios.VTIME] = 1, 0
        after[6][termios.VINTR] = b"\x00"  # no character interrupts; Ctrl-\ still does
        termios.tcsetattr(fd, termios.TCSANOW, after)
    except termios.error as error:
        raise TerminalError(f"the terminal is gone: {error.args[-1]}") from None
    atexit.register(restore)
    return restore
