"""What a gesture means in each state: tables one can read.

States: `stopped` (a stomped count included), `through`, `vamp` and `drill`. The maps are made so
that the stray tap before a double or a hold does no harm, and so that no state is a trap.
"""

from collections.abc import Mapping

from .action_table import ACTIONS, NOTHING
from .settings import MODES

STATES = ("stopped", *MODES)
GESTURES = ("tap", "double", "hold")
SWITCHES = ("main", "second", "third", "fourth")

# (state, switch, gesture): action
FootMap = Mapping[tuple[str, str, str], str]

_MAIN = {
    "stopped": ("stomp", "drill", "next-entry"),
    "through": ("flag", "last", "stop"),
    "vamp": ("cue", "last", "stop"),
    "drill": ("missed", "onward", "leave"),
}
_SECOND = {
    "stopped": ("key-fourth", "nothing", "previous-entry"),
    "through": ("soft", "nothing", "again"),
    "vamp": ("soft", "back", "again"),
    "drill": ("soft", "nothing", "nothing"),
}
_THIRD = {state: ("tempo-down", "tempo-up", "tempo-back") for state in STATES}
_FOURTH = {
    "stopped": ("guide", "parts", "key-up"),
    "through": ("guide", "parts", "stop-time"),
    "vamp": ("guide", "parts", "stop-time"),
    "drill": ("guide", "parts", "nothing"),
}


def _map(*tables: Mapping[str, tuple[str, ...]]) -> FootMap:
    return {
        (state, switch, gesture): action
        for switch, table in zip(SWITCHES, tables, strict=False)
        for state, actions in table.items()
        for gesture, action in zip(GESTURES, actions, strict=True)
    }


PRESETS: Mapping[str, FootMap] = {
    "one": _map(_MAIN),
    "two": _map(_MAIN, _SECOND),
    "four": _map(_MAIN, _SECOND, _THIRD, _FOURTH),
}
ONE_SWITCH = PRESETS["one"]


def traps(footmap: FootMap) -> list[str]:
    """States that a foot could get into but not out of."""
    playing = [
        state
        for state in STATES[1:]
        if not any(ACTIONS[action].stops for (where, _, _), action in footmap.items() if where == state)
    ]
    starts = {action for (where, _, _), action in footmap.items() if where == "stopped"}
    return playing + ([] if starts & {"stomp", "start"} else ["stopped"])


def text_map(footmap: FootMap) -> str:
    """The map in force, in words."""
    lines = []
    switches = list(dict.fromkeys(switch for _, switch, _ in footmap))
    for switch in switches:
        lines.append(f"switch {switch}")
        for state in STATES:
            for gesture in GESTURES:
                action = footmap.get((state, switch, gesture), NOTHING)
                if action != NOTHING:
                    lines.append(f"  {state:<8} {gesture:<7} {action:<15} {ACTIONS[action].words}")
    return "\n".join(lines)
