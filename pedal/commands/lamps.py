"""`pedal lamps --test`: each lamp in turn, then every pattern of the stopped box, each with its name."""

import argparse
import time
from collections.abc import Callable, Mapping

from ..events import NS_PER_S
from ..hardware.box import Box
from ..hardware.gpio_pins import Pin
from ..hardware.lamp import LampBoard
from ..library.settings import Config
from ..session.lamp_patterns import IDLE, IDLE_NS, READY
from ..session.lamp_scheduler import LampScheduler
from .exit_status import OK
from .options import load

EACH_NS = NS_PER_S
ROUNDS = 2  # of each pattern
_DARK_NS = NS_PER_S  # between two of them


def run(config: Config, say: Callable[[str], None]) -> None:
    """On the lamps of the settings. Raises RigError, for example because the box is running."""
    lamps = config.lamps
    if not lamps.backend.lamps():
        say("no lamp has a pin in these settings")
        return
    box = Box(config.gpio)
    try:
        board = lamps.backend.open(box)
        try:
            show(board, lamps.pins, say, sleep_until)
        finally:
            board.close()
    finally:
        box.close()


def sleep_until(ns: int) -> None:
    """Sleep to a moment of the monotonic clock."""
    time.sleep(max(0, ns - time.monotonic_ns()) / NS_PER_S)


def show(
    board: LampBoard,
    pins: Mapping[str, Pin],
    say: Callable[[str], None],
    sleep_until: Callable[[int], None],
    now: Callable[[], int] = time.monotonic_ns,
) -> None:
    """Light everything there is, one after the other; `pins` has the GPIO of those that sit on one.

    `sleep_until` and `now` are in monotonic ns.
    """
    at = now()
    for lamp in board.names:
        say(f"lamp {lamp}, GPIO {pins[lamp]}" if lamp in pins else f"lamp {lamp}")
        board.set(lamp, True)
        sleep_until(at := at + EACH_NS)
        board.set(lamp, False)
    for pattern in IDLE:
        at += _DARK_NS
        sleep_until(at)
        say(f"pattern {'stopped and ready' if pattern == READY else pattern}")
        at = _pattern(board, pattern, at, sleep_until)


def _pattern(board: LampBoard, pattern: str, at: int, sleep_until: Callable[[int], None]) -> int:
    lamps, end = LampScheduler(), at + ROUNDS * IDLE_NS
    lamps.set_faults(() if pattern == READY else (pattern,))
    for light in lamps.show(at - 1):
        board.set(light.lamp, light.lit)
    for start in range(at, end, IDLE_NS):
        lamps.idle(start)
        while (change := lamps.next_change()) is not None and change < start + IDLE_NS:
            sleep_until(change)
            for light in lamps.show(change):
                board.set(light.lamp, light.lit)
        sleep_until(start + IDLE_NS)
    for lamp in lamps.lit():
        board.set(lamp, False)
    return end


def do_lamps(arguments: argparse.Namespace) -> int:
    """As `run`, on standard output."""
    run(load(arguments), print)
    return OK
