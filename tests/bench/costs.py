"""What playing costs: processor time, memory, composing, starting up; and how fast time can jump."""

import gc
import re
import resource
import statistics
import subprocess
import sys
import tempfile
import time
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

from pedal.events import NS_PER_MS, NS_PER_S, BeatBegan, Command
from pedal.library.library import Library
from pedal.library.plans import plan_for
from pedal.library.settings import Config
from pedal.service import trace_format
from pedal.session.offline import drive
from pedal.session.session import Session
from tests.bench.figures import HEAD, figures, row
from tests.bench.machine import Machine
from tests.bench.subject import TUNE, memory_kb

PEDAL = Path(sys.executable).with_name("pedal")


def cpu(machine: Machine, seconds: float) -> list[str]:
    """Processor time of a playing engine, everything on, at two tempos."""
    lines = []
    for priority in (True, False):
        with ThreadPoolExecutor() as pool:
            # Side by side: processor time is not wall time.
            runs = [
                pool.submit(
                    machine.in_folder(str(bpm)).engine,
                    bpm=bpm,
                    seconds=seconds,
                    priority=priority,
                    strict=False,
                )
                for bpm in (120, 240)
            ]
            for bpm, run in zip((120, 240), (run.result() for run in runs), strict=True):
                if priority and not run["granted"]:
                    lines.append(f"  {bpm} bpm with priority: not permitted here")
                    continue
                share = run["cpu_ns"] / run["wall_ns"]
                lines.append(
                    f"  {bpm} bpm {'with' if priority else 'without'} priority: {60 * share:.2f} CPU seconds "
                    f"a minute ({100 * share:.2f} % of a core); resident {run['memory_kb'] / 1024:.1f} MB"
                )
    return lines


def memory(hours: float) -> list[str]:
    """Resident memory of a process that has everything loaded, over simulated time, without collections."""
    done = subprocess.run(
        [sys.executable, "-m", "tests.bench.costs", str(hours)], capture_output=True, text=True, check=True
    )
    return done.stdout.splitlines()


def _grow(hours: float) -> None:
    """In a process of its own: play, and say how memory grows."""
    import gpiozero.pins.mock  # noqa: F401 - what `pedal run` has loaded
    import rtmidi  # noqa: F401

    import pedal.service.daemon  # noqa: F401

    session = Session(plan_for(Library(None), TUNE, None, 120), Config().session)
    recorder = trace_format.Recorder("usb")
    gc.freeze()
    gc.disable()
    marks = [(60, "1 minute"), (3600, "60 minutes"), (3600 * hours, f"{hours:g} hours")]
    found, beats = [], 0
    for output in drive(session, [Command(0, "start")], round(hours * 3600 * NS_PER_S) + NS_PER_S):
        recorder.line(output)
        if isinstance(output, BeatBegan):
            beats += 1
            if marks and output.due >= marks[0][0] * NS_PER_S:
                found.append((marks.pop(0)[1], memory_kb()))
    print(f"  resident after {', '.join(f'{when}: {kb / 1024:.2f} MB' for when, kb in found)}")
    print(f"  growth after the first: {(found[-1][1] - found[0][1]) / 1024:+.2f} MB ({beats} beats)")


def composing(beats: int, rested: int) -> list[str]:
    """What the processor takes for a beat, one after another; and what for the same once it has rested.

    In between is nothing but a look at the clock: what that costs more, no program can save.
    """
    return [
        HEAD,
        row("composing a beat, processor time", figures(_composed(beats, 0))),
        row("the same, each after 20 ms of nothing", figures(_composed(rested, 20 * NS_PER_MS))),
    ]


def _composed(beats: int, rest: int) -> list[int]:
    session = Session(plan_for(Library(None), TUNE, None, 120), Config().session)
    took: list[int] = []
    prepare = session.prepare
    began = False

    def timed(now: int) -> None:
        nonlocal began
        until = time.monotonic_ns() + rest * began
        while time.monotonic_ns() < until:
            pass  # not asleep: no other program is let in
        start = time.thread_time_ns()
        prepare(now)
        if began:
            took.append(time.thread_time_ns() - start)
            began = False

    session.prepare = timed
    gc.disable()
    try:
        for output in drive(session, [Command(0, "start")], beats * NS_PER_S // 2):
            began = began or (isinstance(output, BeatBegan))
    finally:
        gc.enable()
    return took


def startup(machine: Machine, times: int) -> list[str]:
    """How long until it answers, and until it plays."""

    def seconds(*command: str) -> float:
        start = time.perf_counter()
        subprocess.run(command, capture_output=True, check=True, stdin=subprocess.DEVNULL)
        return time.perf_counter() - start

    def median(*command: str) -> str:
        return f"{1000 * statistics.median(seconds(*command) for _ in range(times)):.0f} ms"

    ready = []
    for _ in range(times):
        start = time.monotonic_ns()
        ready.append(machine.engine(seconds=0.01, bpm=120)["ready_ns"] - start)
    loads = "import pedal.service.daemon, rtmidi, gpiozero"
    return [
        f"  python that does nothing: {median(sys.executable, '-c', '')}",
        f"  importing all of `pedal run`: {median(sys.executable, '-c', loads)}",
        f"  pedal --help: {median(str(PEDAL), '--help')}",
        f"  from starting the process until ports and pins are open: "
        f"{statistics.median(ready) / 1e6:.0f} ms (worker, priority, port on JACK, mock pins)",
    ]


def simulating(seconds: int, times: int) -> list[str]:
    """How many simulated seconds `pedal simulate` plays in one, with trace."""
    speeds, costs = [], []
    with tempfile.TemporaryDirectory() as folder:
        trace = str(Path(folder) / "trace.jsonl")
        command = [
            str(PEDAL),
            "simulate",
            TUNE,
            "--tempo",
            "120",
            "--seconds",
            str(seconds),
            "--trace",
            trace,
        ]
        for _ in range(times):
            before = _children_cpu()
            done = subprocess.run(command, capture_output=True, text=True, check=True)
            costs.append(_children_cpu() - before)
            speeds.append(int(re.search(r"(\d+) times real time", done.stderr)[1]))
    middle = statistics.median_low(speeds)
    return [
        f"  {seconds} s at 120 bpm with trace, {times} times: "
        f"{min(speeds)} / {middle} / {max(speeds)} x real time (lowest, middle, highest)",
        f"  by the processor's time, starting up included: {seconds / statistics.median(costs):.0f} x "
        f"(best {seconds / min(costs):.0f} x)",
    ]


def _children_cpu() -> float:
    used = resource.getrusage(resource.RUSAGE_CHILDREN)
    return used.ru_utime + used.ru_stime


if __name__ == "__main__":
    _grow(float(sys.argv[1]))
