"""`pedal simulate`: the Session on a simulated clock, with the trace of a real run."""

import argparse
import sys
import time
from collections.abc import Iterable
from functools import partial
from pathlib import Path

from ..events import NS_PER_S, BeatBegan, CommandDone, Input, Press, Release
from ..hardware.errors import RigError
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
    """Play `seconds` of simulated time. ValueError for a bad script; RigError for a bad trace file."""
    if not 0 < seconds <= 24 * 3600:
        raise ValueError(f"--seconds {seconds:g}: must be more than 0, and at most a day")
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
    try:
        with open(trace or "/dev/null", "w", encoding="utf-8") as file:
            file.write(trace_format.header(plan, session.settings.mode, config.play.seed) + "\n")
            for output in outputs:
                if line := recorder.line(output):
                    file.write(line + "\n")
                if isinstance(output, BeatBegan):
                    bars += output.beat == 1
                elif isinstance(output, CommandDone) and output.reason:
                    print(f"{output.name}: {output.reason}", file=sys.stderr)
    except OSError as error:
        raise RigError(f"trace {str(trace)!r} could not be written: {error.strerror}") from None
    took = time.perf_counter() - started
    print(
        f"{seconds:g} s of {plan.tune.title} in {plan.key} ({bars} bars) in {took:.2f} s, "
        f"{seconds / took:.0f} times real time",
        file=sys.stderr,
    )
    return 0


def _know_switches(inputs: Iterable[Input], config: Config) -> None:
    known = list(dict.fromkeys([*(switch for _, switch, _ in config.foot), *config.switches]))
    for event in inputs:
        if isinstance(event, Press | Release) and event.switch not in known:
            raise ValueError(f"there is no switch {event.switch!r}; there are: {', '.join(known)}")


def do_simulate(arguments: argparse.Namespace) -> int:
    config = load(arguments)
    return run(config, plan_of(config), arguments.foot, arguments.seconds, arguments.trace)
