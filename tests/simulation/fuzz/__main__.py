"""python -m tests.simulation.fuzz [--only NAME] [--count N] [--seed S] [--jobs J]: odd inputs and their harm.

Every format is fed in processes of its own, with a limit on their memory; one that dies or stands
still is a finding, too. Without --count as many inputs as a format's full run has.
"""

import argparse
import multiprocessing
import resource
import sys
from collections.abc import Iterator
from multiprocessing.connection import Connection, wait
from typing import NamedTuple

from .format import Format
from .formats import FORMATS
from .run import Report, fuzz

_MEMORY = 2 << 30
_STILL_S = 90  # without a sign of life
_TELL = 200  # inputs between two of them


class _Alive(NamedTuple):
    number: int


def main() -> int:
    """Exit status 1 if anything was found."""
    parser = argparse.ArgumentParser(prog="python -m tests.simulation.fuzz", description=__doc__)
    parser.add_argument("--only", default="", help="formats with this in their name")
    parser.add_argument("--count", type=int, help="inputs for each format (default: a full run)")
    parser.add_argument("--seed", type=int, default=1, help="default: 1")
    parser.add_argument("--jobs", type=int, default=1, help="processes (default: 1)")
    arguments = parser.parse_args()
    print(f"{'format':<20} {'inputs':>9} {'per second':>10} {'slowest':>9} {'kinds':>6} {'findings':>8}")
    findings = 0
    for kind in FORMATS:
        if arguments.only.casefold() not in kind.name.casefold():
            continue
        report = _all_of(kind, arguments.count or kind.full, arguments.seed, arguments.jobs)
        pace = report.inputs / report.seconds if report.seconds else 0
        print(
            f"{report.name:<20} {report.inputs:>9} {pace:>10.0f} {report.slowest_s * 1000:>6.0f} ms "
            f"{report.kinds:>6} {len(report.found):>8}",
            flush=True,
        )
        for wrong, data in report.found.items():
            shown = repr(data[:600]) + (f"… ({len(data)} bytes)" if len(data) > 600 else "")
            print(f"    {wrong}\n      {shown}", flush=True)
        findings += len(report.found)
    return 1 if findings else 0


def _all_of(kind: type[Format], count: int, seed: int, jobs: int) -> Report:
    """Feed it in so many processes, and put together what they report."""
    context, whole = multiprocessing.get_context("fork"), Report(kind.name)
    running = {}
    for job in range(jobs):
        share = count // jobs + (job < count % jobs)
        ours, theirs = context.Pipe()
        process = context.Process(target=_work, args=(kind, share, seed + job, theirs), daemon=True)
        process.start()
        theirs.close()
        running[ours] = process, seed + job
    for pipe, process, own, said in _reports(running):
        if isinstance(said, Report):
            whole.inputs += said.inputs
            whole.seconds = max(whole.seconds, said.seconds)
            whole.slowest_s = max(whole.slowest_s, said.slowest_s)
            whole.kinds = max(whole.kinds, said.kinds)
            whole.found = said.found | whole.found
        else:
            process.kill()
            process.join()
            pipe.close()
            whole.found[f"{said} (seed {own}, {share} inputs)"] = b""
    return whole


def _reports(running: dict) -> Iterator[tuple]:
    """The processes' reports as they come, or how they ended without one."""
    last = dict.fromkeys(running, -1)
    while running:
        ready = wait(list(running), timeout=_STILL_S)
        for pipe in ready or list(running):
            process, seed = running[pipe]
            try:
                said = pipe.recv() if ready else f"stands still after input {last[pipe]}"
            except EOFError:
                process.join()
                said = f"died with {process.exitcode} after input {last[pipe]}"
            if isinstance(said, _Alive):
                last[pipe] = said.number
                continue
            del running[pipe]
            yield pipe, process, seed, said


def _work(kind: type[Format], count: int, seed: int, pipe: Connection) -> None:
    resource.setrlimit(resource.RLIMIT_AS, (_MEMORY, _MEMORY))

    def told(number: int, data: bytes) -> None:
        if number % _TELL == 0:
            pipe.send(_Alive(number))

    format = kind()
    try:
        pipe.send(fuzz(format, count, seed, told))
    finally:
        format.close()


if __name__ == "__main__":
    sys.exit(main())
