"""All benchmarks in one table.

python -m tests.bench            about 25 minutes
python -m tests.bench --quick    under a minute: only shows that everything runs
python -m tests.bench --only lateness,work
Not part of the full run, three quarters of an hour more:
python -m tests.bench --only tail,usual,drift
"""

import argparse
import os
import platform
import sys
import time
from collections.abc import Callable

from tests.bench import company, costs, lateness, presses
from tests.bench.machine import Machine, machine

Part = Callable[[Machine, bool], list[str]]


def _work(here: Machine, quick: bool) -> list[str]:
    """Both tables that need a foot: its presses in the first are measured in the second."""
    table, runs = lateness.at_work(here, 1 if quick else 19, 1.5 if quick else 13.0)
    slices, seconds = (1, 1.5) if quick else (6, 50.0)
    return [*table, "", *presses.answered(here, slices, seconds, runs)]


PARTS: dict[str, tuple[str, Part]] = {
    "lateness": (
        "Lateness, µs: sent minus due. A slot is what is due together; sends are stamped when they return",
        lambda here, quick: lateness.side_by_side(here, 1 if quick else 8, 1.0 if quick else 5.3),
    ),
    "work": ("At work against doing nothing else, and presses; both cores busy, with priority; µs", _work),
    "cpu": ("Processor and memory while playing", lambda here, quick: costs.cpu(here, 3 if quick else 45)),
    "memory": (
        "Memory over simulated time, no garbage collected",
        lambda here, quick: costs.memory(1.01 if quick else 24),
    ),
    "compose": (
        "Composing, µs",
        lambda here, quick: costs.composing(100 if quick else 4800, 50 if quick else 1200),
    ),
    "startup": ("Starting", lambda here, quick: costs.startup(here, 1 if quick else 7)),
    "simulate": (
        "Simulating",
        lambda here, quick: costs.simulating(60 if quick else 3600, 1 if quick else 5),
    ),
    "clock": (
        "MIDI clock for others, µs late",
        lambda here, quick: company.clock_out(here, 1 if quick else 4, 1.5 if quick else 8.0),
    ),
    "led": (
        "In time with an unsteady clock",
        lambda here, quick: company.clock_in(2 if quick else 100),
    ),
    "lamps": (
        "Lamps of a follower, µs from the leader's",
        lambda here, quick: company.lamps(here, 6 if quick else 60),
    ),
    "tail": (
        "Lateness of many slots, with priority; µs",
        lambda here, quick: lateness.between_floors(here, 1 if quick else 30, 1.0 if quick else 5.3),
    ),
    "usual": (
        "Lateness at 120 bpm, with priority; µs",
        lambda here, quick: lateness.between_floors(here, 1 if quick else 3, 2 if quick else 30, 120),
    ),
    "drift": (
        "Drift at 120 bpm, with priority; µs",
        lambda here, quick: lateness.drift(here, 0.1 if quick else 15),
    ),
}
_NOT_IN_FULL = {"tail", "usual", "drift"}


def main(argv: list[str] | None = None) -> int:
    """Run what is asked for, printing as it goes."""
    parser = argparse.ArgumentParser(
        prog="python -m tests.bench",
        description=__doc__,
        formatter_class=argparse.RawDescriptionHelpFormatter,
    )
    parser.add_argument("--quick", action="store_true", help="hardly measure, only run")
    parser.add_argument("--only", metavar="NAME,…", help=f"some of: {', '.join(PARTS)}")
    arguments = parser.parse_args(argv)
    wanted = (
        arguments.only.split(",") if arguments.only else [name for name in PARTS if name not in _NOT_IN_FULL]
    )
    if unknown := [name for name in wanted if name not in PARTS]:
        parser.error(f"there is no {', '.join(unknown)}; there are {', '.join(PARTS)}")
    started = time.monotonic()
    with machine() as here:
        print("\n".join(_machine_lines(here, arguments.quick)))
        for name in wanted:
            title, part = PARTS[name]
            print(f"\n{title}", flush=True)
            print("\n".join(part(here, arguments.quick)), flush=True)
    print(f"\n{time.monotonic() - started:.0f} s; load at the end {_load()}")
    return 0


def _machine_lines(here: Machine, quick: bool) -> list[str]:
    lines = [
        f"{time.strftime('%Y-%m-%d %H:%M')}, {os.cpu_count()} x {_processor()}, Linux {platform.release()}, "
        f"Python {platform.python_version()}; load before {_load()}",
        "MIDI clock off; pins are mock ones; the port is rtmidi on a JACK dummy server"
        + (" (" + "; ".join(here.missing) + ")" if here.missing else ""),
    ]
    if quick:
        lines.append("--quick: these figures say nothing")
    return lines


def _processor() -> str:
    try:
        with open("/proc/cpuinfo", encoding="utf-8") as file:
            return next(line.split(":")[1].strip() for line in file if line.startswith("model name"))
    except (OSError, StopIteration):
        return platform.machine()


def _load() -> str:
    return " ".join(f"{load:.1f}" for load in os.getloadavg())


if __name__ == "__main__":
    sys.exit(main())
