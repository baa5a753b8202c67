"""Feeding a format with inputs, each within bounds of time and memory, and making findings short."""

import os
import random
import re
import signal
import time
import traceback
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path
from types import FrameType

from .format import Format

CPU_S, WAIT_S = 2.0, 30.0  # for one input: of work, and all in all
GROWTH = 256 << 20  # bytes that a run may take more than at its start
_LOOK = 256  # inputs between two looks at the memory
_PAGE = os.sysconf("SC_PAGE_SIZE")
_TRIES = 400  # to make a finding shorter


class Hang(BaseException):
    """One input took too long. No Exception, so that nobody takes it for one of his own."""


@dataclass
class Report:
    """What a run came to; `found` has one input for each thing that is wrong, by what that is."""

    name: str
    inputs: int = 0
    seconds: float = 0.0
    slowest_s: float = 0.0
    kinds: int = 0
    failed: int = 0
    found: dict[str, bytes] = field(default_factory=dict)


def fuzz(
    format: Format, count: int, seed: int, told: Callable[[int, bytes], None] = lambda number, data: None
) -> Report:
    """Feed it. `told` hears of every input before it is fed, for whoever watches over this process."""
    mutator = format.mutator(random.Random(f"{format.name} {seed}"))
    report, kinds = Report(format.name), set()
    started, before = time.monotonic(), _memory()
    with _alarms():
        for number in range(count):
            data = format.make(mutator)
            told(number, data)
            began = time.process_time()
            wrong, kind = _judge(format, data)
            report.slowest_s = max(report.slowest_s, time.process_time() - began)
            if wrong:
                report.failed += 1
                report.found.setdefault(wrong, data)
            elif kind not in kinds and len(kinds) < 5_000:
                kinds.add(kind)
                mutator.keep(data)
            if number % _LOOK == _LOOK - 1 and (grown := _memory() - before) > GROWTH:
                report.found.setdefault(f"takes {grown >> 20} MB more than at the start", data)
                break
        report.inputs, report.kinds = number + 1, len(kinds)
        report.seconds = time.monotonic() - started
        report.found = {wrong: _shorter(format, data, wrong) for wrong, data in report.found.items()}
    return report


def try_one(format: Format, data: bytes) -> str:
    """What is wrong with one input; empty if nothing is."""
    with _alarms():
        return _judge(format, data)[0]


def _judge(format: Format, data: bytes) -> tuple[str, object]:
    signal.setitimer(signal.ITIMER_VIRTUAL, CPU_S)
    signal.setitimer(signal.ITIMER_REAL, WAIT_S)
    try:
        return "", format.feed(data)
    except (Exception, Hang) as error:
        return _where(error), None
    finally:
        signal.setitimer(signal.ITIMER_VIRTUAL, 0)
        signal.setitimer(signal.ITIMER_REAL, 0)


def _where(error: BaseException) -> str:
    """The kind of a failure: what it is, and in which line of the code."""
    frames = traceback.extract_tb(error.__traceback__)
    if isinstance(error, Hang):
        frames = [frame for frame in frames if "/pedal/" in frame.filename] or frames
        return f"hang ({Path(frames[-1].filename).name})"
    last = frames[-1]
    if Path(last.filename).name == "format.py":
        return str(error).split(":")[0]
    said = re.sub("[0-9]+", "N", " ".join(str(error).split()[:5]))[:60]
    return f"{type(error).__name__} in {Path(last.filename).name}:{last.lineno} {said!r}"


def _shorter(format: Format, data: bytes, wrong: str) -> bytes:
    size, tries = max(1, len(data) // 2), _TRIES
    while size and tries > 0:
        start = 0
        while start < len(data) and tries > 0:
            tries -= 1
            fewer = data[:start] + data[start + size :]
            if _judge(format, fewer)[0] == wrong:
                data = fewer
            else:
                start += size
        size //= 2
    return data


def _memory() -> int:
    """Bytes in use by this process."""
    return int(Path("/proc/self/statm").read_text().split()[1]) * _PAGE


@contextmanager
def _alarms() -> Iterator[None]:
    def late(number: int, frame: FrameType | None) -> None:
        raise Hang

    alarms = (signal.SIGVTALRM, signal.SIGALRM)
    before = [signal.signal(alarm, late) for alarm in alarms]
    try:
        yield
    finally:
        for alarm, handler in zip(alarms, before, strict=True):
            signal.signal(alarm, handler)
