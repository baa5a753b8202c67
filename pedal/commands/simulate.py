"""`pedal simulate`: the Session on a simulated clock, with the trace of a real run."""

import argparse
import sys
import time
from collections.abc import Callable, Iterable, Iterator
from contextlib import contextmanager
from functools import partial
from pathlib import Path

from ..errors import BadValue, file_errors
from ..events import NS_PER_S, BeatBegan, CommandDone, Input, Press, Release
from ..library.foot_script import parse_foot
from ..library.library import Library
from ..library.new_session import make_session
from ..library.plans import plan_for
from ..library.settings import Config
from ..music.plan import Plan
from ..service import trace_format
from ..session.offline import drive
from .options import load, plan_of


def run(config: Config, plan: Plan, foot: str, seconds: float, trace: Path | None) -> int:
    """Play `seconds` of simulated time. BadValue for a bad script, FileError for a bad trace file."""
    if not 0 < seconds <= 24 * 3600:
        raise BadValue(f"--seconds {seconds:g}: must be more than 0, and at most a day")
    inputs = parse_foot(foot)
    _know_switches(inputs, config)
    session = make_session(config, plan)
    library = Library(config.sequences)
    started = time.perf_counter()
    outputs = drive(
        session, inputs, round(seconds * NS_PER_S), partial(plan_for, library, instrument=config.bass)
    )
    recorder = trace_format.Recorder(config.synth.wire)
    bars = 0
    with _lines_to(trace) as write:
        write(trace_format.header(plan, session.state.settings.mode, config.play.seed))
        for output in outputs:
            if line := recorder.line(output):
                write(line)
            if isinstance(output, BeatBegan):
                bars += output.beat == 1
            elif isinstance(output, CommandDone) and output.reason:
                print(f"{output.name}: {output.reason}", file=sys.stderr)
    took = time.perf_counter() - started
    print(
        f"{seconds:g} s of {plan.tune.title} in {plan.key} ({bars} bars) in {took:.2f} s, "
        f"{seconds / took:.0f} times real time",
        file=sys.stderr,
    )
    return 0


@contextmanager
def _lines_to(trace: Path | None) -> Iterator[Callable[[str], None]]:
    """What writes a line into the trace, or nowhere if there is to be none. FileError from all of it."""
    if trace is None:
        yield lambda line: None
        return
    refused = f"trace {str(trace)!r} could not be written"
    with file_errors(refused):
        file = trace.open("w", encoding="utf-8")

    def write(line: str) -> None:
        with file_errors(refused):
            file.write(line + "\n")

    try:
        yield write
    finally:
        with file_errors(refused):
            file.close()


def _know_switches(inputs: Iterable[Input], config: Config) -> None:
    known = list(dict.fromkeys([*(switch for _, switch, _ in config.foot), *config.switches]))
    for event in inputs:
        if isinstance(event, Press | Release) and event.switch not in known:
            raise BadValue(f"there is no switch {event.switch!r}; there are: {', '.join(known)}")


def do_simulate(arguments: argparse.Namespace) -> int:
    """As `run`. Raises UserError."""
    config = load(arguments)
    return run(config, plan_of(config), arguments.foot, arguments.seconds, arguments.trace)
