"""Waiting for what other processes do: asking again and again, never sleeping blindly."""

import threading
import time
from collections.abc import Callable
from typing import TypeVar

T = TypeVar("T")
_pause = threading.Event()


def wait_for(what: str, look: Callable[[], T], seconds: float = 10.0) -> T:
    """The first true thing that `look` returns; fails, saying `what` did not come, when time is up."""
    deadline = time.monotonic() + seconds
    while not (seen := look()):
        assert time.monotonic() < deadline, f"{what}: not in {seconds:g} s"
        _pause.wait(0.01)
    return seen


def quiet_for(seconds: float, count: Callable[[], int], within: float = 10.0) -> None:
    """Wait until a count has stood still for so long; fails if it goes on moving."""
    deadline = time.monotonic() + within
    last, since = count(), time.monotonic()
    while time.monotonic() - since < seconds:
        assert time.monotonic() < deadline, f"it went on for {within:g} s"
        _pause.wait(0.01)
        if (now := count()) != last:
            last, since = now, time.monotonic()
