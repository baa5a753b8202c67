"""The process around the loop: what it says, and the signals that end it."""

import os
import signal
import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress


def say(text: str) -> None:
    """Tell the player or the journal. Never raises: a terminal that is gone must not stop the music."""
    with suppress(OSError, ValueError):
        over_lamps = "\r\x1b[K" if sys.stderr.isatty() else ""
        print(f"{over_lamps}pedal: {text}", file=sys.stderr, flush=True)


class Ended(Exception):
    """A signal has ended us before the loop ran."""


class Signals:
    """SIGTERM, SIGINT and SIGHUP (the terminal is gone) end us in order, at any time from here on.

    The handler raises nothing: what it raised in the wrong place would be lost, or be a noise.
    """

    def __init__(self) -> None:
        self._asked = False
        self._do: Callable[[], None] = lambda: None
        for number in (signal.SIGTERM, signal.SIGINT, signal.SIGHUP):
            signal.signal(number, self._come)

    def check(self) -> None:
        """Raises Ended if one has come."""
        if self._asked:
            raise Ended

    def then(self, do: Callable[[], None]) -> None:
        """From now on a signal does this; one that has come already does it at once."""
        self._do = do
        if self._asked:
            do()

    def _come(self, *_: object) -> None:
        self._asked = True
        self._do()


@contextmanager
def stderr_of_our_own() -> Iterator[None]:
    """While MIDI clients are made, descriptor 2 leads nowhere for moments; what we say must not."""
    usual = sys.stderr
    try:
        own = os.dup(usual.fileno())
    except (AttributeError, OSError, ValueError):  # closed, or no file
        yield
        return
    sys.stderr = open(own, "w", encoding=usual.encoding, errors="backslashreplace", buffering=1)  # noqa: SIM115
    try:
        yield
    finally:
        with suppress(OSError):  # a terminal that is gone does not take the last words
            sys.stderr.close()
        sys.stderr = usual
