"""The Session without a rig: a scripted foot and a clock that jumps from deadline to deadline.

A foot script is a list of `what@seconds`, separated by commas: `tap@0,double@12.4,hold@30`.
Zero is the moment the Session is ready. `tap` is a press let go 80 ms later, `double` presses at
0 and 200 ms, `hold` a press of 800 ms; `press` and `release` are raw edges. `/NAME` after the
time means another switch than `main`. What a box may be told by others is a step as well:
`stop@40`, `tempo=92@12.4`, `parts=drums+bass@30`.
"""

import re
from collections.abc import Callable, Iterable, Iterator

from ..events import NS_PER_MS, NS_PER_S, Command, Input, Loaded, Output, PlanWanted, Press, Release
from ..library.action_values import COMMANDS, judge, read_value
from ..music.plan import Plan
from .session import Session

# gesture: edges as (ms after the time, down)
_EDGES = {
    "tap": ((0, True), (80, False)),
    "double": ((0, True), (80, False), (200, True), (280, False)),
    "hold": ((0, True), (800, False)),
    "press": ((0, True),),
    "release": ((0, False),),
}
_STEP = re.compile(r"([a-z-]+)(?:=([^@]*))?@([0-9]+(?:\.[0-9]+)?)(?:/([A-Za-z0-9_-]+))?")


def parse_foot(script: str) -> list[Input]:
    """The inputs of a foot script in order of time. ValueError names the word that is wrong."""
    inputs: list[Input] = []
    for word in filter(None, (word.strip() for word in script.split(","))):
        match = _STEP.fullmatch(word)
        name, value, seconds, switch = match.groups() if match else ("", None, "0", None)
        start = round(float(seconds) * NS_PER_S)
        if name in COMMANDS and not switch:
            command = Command(start, name, read_value(name, value))
            if why_not := judge(name, command.value):
                raise ValueError(f"{word!r} in a foot script: {why_not}")
            inputs.append(command)
        elif name in _EDGES and value is None:
            for after_ms, down in _EDGES[name]:
                inputs.append((Press if down else Release)(start + after_ms * NS_PER_MS, switch or "main"))
        else:
            raise ValueError(
                f"{word!r} is no step of a foot script; write {', '.join(_EDGES)} and the seconds, "
                "like tap@12.4 or hold@30/second, or what pedal tell takes, like tempo=92@8"
            )
    return sorted(inputs, key=lambda event: event.at)


def drive(
    session: Session,
    inputs: Iterable[Input],
    until: int,
    make_plan: Callable[..., Plan] | None = None,
) -> Iterator[Output]:
    """Run a Session from deadline to deadline up to `until` ns, feeding it inputs on the way.

    A wanted plan is made at once by `make_plan(tune, key, bpm, lead=…)`; without one the wish is dropped.
    """
    waiting = sorted(inputs, key=lambda event: event.at)[::-1]
    now = session.now
    while now < until:
        deadline = session.deadline()
        then = until if deadline is None else min(until, deadline)
        now = max(now, min(then, waiting[-1].at) if waiting else then)
        for output in session.take(now):
            yield output
            if isinstance(output, PlanWanted) and make_plan:
                session.handle(Loaded(now, _made(make_plan, output)))
        while waiting and waiting[-1].at <= now:
            session.handle(waiting.pop())
        session.prepare(now)


def _made(make_plan: Callable[..., Plan], wanted: PlanWanted) -> Plan:
    return make_plan(wanted.tune, wanted.key, wanted.mbpm and wanted.mbpm / 1000, lead=wanted.lead)
