"""A foot written down: what is pressed when, and what is commanded by other means.

A foot script is a list of `what@seconds`, separated by commas: `tap@0,double@12.4,hold@30`.
Zero is the moment the Session is ready. `tap` is a press let go 80 ms later, `double` presses at
0 and 200 ms, `hold` a press of 800 ms; `press` and `release` are raw edges. `/NAME` after the
time means another switch than `main`. A command (see `action_values`) is a step as well:
`stop@40`, `tempo=92@12.4`, `parts=drums+bass@30`.
"""

import re

from ..errors import BadValue
from ..events import NS_PER_MS, NS_PER_S, Command, Input, Press, Release
from .action_values import COMMANDS, judge, read_value

# gesture: edges as (ms after the time, down)
_EDGES = {
    "tap": ((0, True), (80, False)),
    "double": ((0, True), (80, False), (200, True), (280, False)),
    "hold": ((0, True), (800, False)),
    "press": ((0, True),),
    "release": ((0, False),),
}
_STEP = re.compile(r"([a-z-]+)(?:=([^@]*))?@([0-9]{1,9}(?:\.[0-9]+)?)(?:/([A-Za-z0-9_-]+))?")


def parse_foot(script: str) -> list[Input]:
    """The inputs of a foot script in order of time. BadValue names the word that is wrong."""
    inputs: list[Input] = []
    for word in filter(None, (word.strip() for word in script.split(","))):
        match = _STEP.fullmatch(word)
        name, value, seconds, switch = match.groups() if match else ("", None, "0", None)
        start = round(float(seconds) * NS_PER_S)
        if name in COMMANDS and not switch:
            command = Command(start, name, read_value(name, value))
            if why_not := judge(name, command.value):
                raise BadValue(f"{word!r} in a foot script: {why_not}")
            inputs.append(command)
        elif name in _EDGES and value is None:
            for after_ms, down in _EDGES[name]:
                inputs.append((Press if down else Release)(start + after_ms * NS_PER_MS, switch or "main"))
        else:
            raise BadValue(
                f"{word!r} is no step of a foot script; write {', '.join(_EDGES)} and the seconds, "
                "like tap@12.4 or hold@30/second, or what pedal tell takes, like tempo=92@8"
            )
    return sorted(inputs, key=lambda event: event.at)
