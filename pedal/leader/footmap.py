"""What a gesture means in each state: a table one can read.

States: `stopped` (a stomped count included), `through`, `vamp` and `drill`. The map is made so
that the stray tap before a double or a hold does no harm.
"""

from collections.abc import Mapping

STATES = ("stopped", "through", "vamp", "drill")
GESTURES = ("tap", "double", "hold")

# (state, switch, gesture): action
FootMap = Mapping[tuple[str, str, str], str]

_ONE = {
    "stopped": ("stomp", "drill", "next-entry"),
    "through": ("flag", "last", "stop"),
    "vamp": ("cue", "last", "stop"),
    "drill": ("missed", "onward", "leave"),
}

ONE_SWITCH: FootMap = {
    (state, "main", gesture): action
    for state, actions in _ONE.items()
    for gesture, action in zip(GESTURES, actions, strict=True)
}
