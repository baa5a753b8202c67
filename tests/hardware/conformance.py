"""One suite per interface of the rig, for any implementation.

Each `check_…` takes a maker of a bench: the thing itself and a way to see or touch its far
side. It makes a fresh one for every rule, so a rule cannot lean on the one before.
"""

import threading
import time
from collections.abc import Callable
from typing import NamedTuple

from pedal.events import Press, Release
from pedal.hardware.clock import Clock
from pedal.hardware.lamp import LampBoard
from pedal.hardware.port import SynthPort
from pedal.hardware.switch import SwitchSource
from tests.support.recording import Collector


def until(condition: Callable[[], object], seconds: float = 5.0) -> None:
    """Ask again and again, and fail when time is up."""
    pause = threading.Event()
    deadline = time.monotonic() + seconds
    while not condition():
        assert time.monotonic() < deadline, f"did not come true in {seconds} s"
        pause.wait(0.005)


# ---- synth ports ------------------------------------------------------------------------


class PortBench(NamedTuple):
    port: SynthPort
    heard: Callable[[], list[bytes]] | None
    """What arrived at the far end so far; None if there is no far end."""
    vanish: Callable[[], None] = lambda: None
    """Take the far end away."""


MESSAGES = [
    bytes.fromhex(text)
    for text in (
        "99 24 64",  # kick
        "90 3C 40",  # note on, then its off: order matters
        "80 3C 00",
        "C1 21",  # program change, two bytes
        "B0 7B 00",  # all notes off
        "F0 7E 7F 09 01 F7",  # GM system on
    )
]


def check_port(make: Callable[[], PortBench]) -> None:
    """All rules of `SynthPort`."""
    for rule in (_port_delivers, _port_drops_what_is_no_message, _port_closes_for_good, _port_outlives_synth):
        bench = make()
        try:
            rule(bench)
        finally:
            bench.port.close()


def _port_delivers(bench: PortBench) -> None:
    assert bench.port.name
    for message in MESSAGES:
        assert bench.port.send(message) is None
    if bench.heard is not None:
        until(lambda: len(bench.heard()) >= len(MESSAGES))
        assert bench.heard() == MESSAGES


def _port_drops_what_is_no_message(bench: PortBench) -> None:
    bench.port.send(b"")
    bench.port.send(MESSAGES[0])
    if bench.heard is not None:
        until(bench.heard)
        assert bench.heard() == MESSAGES[:1]


def _port_closes_for_good(bench: PortBench) -> None:
    bench.port.send(MESSAGES[0])
    bench.port.close()
    if bench.heard is not None:
        until(bench.heard)  # the last message before closing is not lost
    bench.port.send(MESSAGES[1])
    bench.port.close()
    bench.port.send(MESSAGES[1])
    if bench.heard is not None:
        assert bench.heard() == MESSAGES[:1]


def _port_outlives_synth(bench: PortBench) -> None:
    bench.port.send(MESSAGES[0])
    bench.vanish()
    for message in MESSAGES:
        bench.port.send(message)
    bench.port.close()


# ---- switches ---------------------------------------------------------------------------


class SwitchBench(NamedTuple):
    source: SwitchSource
    tap: Callable[[str], None]
    """Press and let go of the switch of that name."""
    dispose: Callable[[], None] = lambda: None


def check_switches(make: Callable[[], SwitchBench]) -> None:
    """All rules of `SwitchSource`."""
    for rule in (_switches_tell_each_edge, _switches_are_silent_when_closed, _switches_close_unstarted):
        bench = make()
        try:
            rule(bench)
        finally:
            bench.source.close()
            bench.dispose()


def _switches_tell_each_edge(bench: SwitchBench) -> None:
    assert bench.source.names
    told = Collector()
    bench.source.start(told)
    for number, name in enumerate(bench.source.names):
        before = time.monotonic_ns()
        bench.tap(name)
        press, release = told.wait_for(2 * number + 2)[-2:]
        # By type: a press and a release are tuples and may be equal.
        assert (type(press), type(release)) == (Press, Release)
        assert press.switch == release.switch == name
        assert before <= press.at <= release.at <= time.monotonic_ns()
    assert len(told.events) == 2 * len(bench.source.names)


def _switches_are_silent_when_closed(bench: SwitchBench) -> None:
    told = Collector()
    bench.source.start(told)
    name = bench.source.names[0]
    bench.tap(name)
    told.wait_for(2)
    bench.source.close()
    bench.source.close()
    bench.tap(name)
    assert len(told.events) == 2


def _switches_close_unstarted(bench: SwitchBench) -> None:
    bench.source.close()


# ---- lamps ------------------------------------------------------------------------------


class LampBench(NamedTuple):
    board: LampBoard
    is_lit: Callable[[str], bool]
    """Looks at the lamp itself, not at what the board believes."""
    dispose: Callable[[], None] = lambda: None


def check_lamps(make: Callable[[], LampBench]) -> None:
    """All rules of `LampBoard`."""
    for rule in (_lamps_light_one_by_one, _lamps_ignore_strangers, _lamps_go_dark_at_close):
        bench = make()
        try:
            rule(bench)
        finally:
            bench.board.close()
            bench.dispose()


def _lit(bench: LampBench) -> list[str]:
    return [name for name in bench.board.names if bench.is_lit(name)]


def _lamps_light_one_by_one(bench: LampBench) -> None:
    names = list(bench.board.names)
    assert len(names) >= 2 and len(set(names)) == len(names)
    for count, name in enumerate(names, start=1):
        bench.board.set(name, True)
        bench.board.set(name, True)
        assert _lit(bench) == names[:count]
    bench.board.set(names[0], False)
    assert _lit(bench) == names[1:]


def _lamps_ignore_strangers(bench: LampBench) -> None:
    bench.board.set(bench.board.names[1], True)
    bench.board.set("no such lamp", True)
    bench.board.set("no such lamp", False)
    assert _lit(bench) == [bench.board.names[1]]


def _lamps_go_dark_at_close(bench: LampBench) -> None:
    for name in bench.board.names:
        bench.board.set(name, True)
    assert _lit(bench) == list(bench.board.names)
    bench.board.close()
    assert _lit(bench) == []
    bench.board.set(bench.board.names[0], True)
    bench.board.close()
    assert _lit(bench) == []


# ---- clocks -----------------------------------------------------------------------------


def check_clock(make: Callable[[], Clock]) -> None:
    """All rules of `Clock`."""
    clock = make()
    times = [clock.now() for _ in range(1000)]
    assert all(isinstance(ns, int) for ns in times)
    assert times == sorted(times)
