"""Every action there is: its name, what it does in words, what it takes, and what carries it out.

A foot map gives gestures to the ones that may stand in it; by other means than the foot all may be
asked for. To add one: a function `(state, at, value) -> Move | Refusal` in the room's file that it
belongs to, and a row here.
"""

from collections.abc import Callable
from typing import NamedTuple

from ..events import Value
from . import actions, controls, cues, practice, setlist
from .outcome import Outcome, Refusal
from .state import State

Run = Callable[[State, int, Value], Outcome]


class Takes(NamedTuple):
    """What the value of an action must be, of these types; `words` tells it to people."""

    types: tuple[type, ...]
    words: str


class Action(NamedTuple):
    """A row. `by_foot`: it may stand in a foot map. `stops`: it is a way out of playing."""

    name: str
    words: str
    run: Run
    by_foot: bool = True
    stops: bool = False
    takes: Takes | None = None


NOTHING = "nothing"


def _nothing(state: State, at: int, value: Value) -> Outcome:
    return Refusal("nothing on this gesture")


TABLE = (
    Action(
        "stomp",
        "count in: a bar of taps sets the tempo, one tap alone takes the written one",
        actions.stomp,
    ),
    Action("start", "count in at the written tempo", actions.start),
    Action("stop", "silence at once", actions.stop, stops=True),
    Action("cue", "go on to what comes", cues.cue),
    Action("back", "go back to the step before", cues.back),
    Action("again", "from the start of this phrase again", controls.again),
    Action("last", "this is the last time (again: it is not)", cues.last),
    Action("flag", "flag this change; alone, drill it from the next phrase on", practice.flag),
    Action("drill", "drill the flagged changes, else the hardest", actions.drill),
    Action("missed", "this repetition was missed (or clean, as set)", practice.missed),
    Action("onward", "on to the next transition", practice.onward),
    Action("leave", "back to the form, if the drill came from there, else stop", practice.leave, stops=True),
    Action("next-entry", "the next entry of the set", setlist.next_entry),
    Action("previous-entry", "the entry before", setlist.previous_entry),
    Action("key-fourth", "key up a fourth", controls.key_fourth),
    Action("key-up", "key up a semitone", controls.key_up),
    Action("key-down", "key down a semitone", controls.key_down),
    Action("tempo-up", "5 % faster", controls.tempo_up),
    Action("tempo-down", "5 % slower", controls.tempo_down),
    Action("tempo-back", "the written tempo", controls.tempo_back),
    Action("tap-tempo", "three taps or more set the tempo", controls.tap_tempo),
    Action("soft", "soft, or full again, from the next phrase", controls.soft),
    Action("stop-time", "stop-time from the next top", controls.stop_time),
    Action("parts", "who plays: all, drums and bass, drums alone", controls.parts),
    Action("guide", "the guide bass: on, off, alternate, fading", controls.guide),
    Action("load", "another tune", controls.load, by_foot=False, takes=Takes((str,), "the name of a tune")),
    Action("key", "another key", controls.key, by_foot=False, takes=Takes((str,), "a key, like Bb")),
    Action(
        "mode",
        "how the form moves",
        controls.mode,
        by_foot=False,
        takes=Takes((str,), "through, vamp or drill"),
    ),
    Action(
        "tempo", "another tempo", controls.tempo, by_foot=False, takes=Takes((int, float), "beats a minute")
    ),
    Action(NOTHING, "nothing", _nothing),
)
ACTIONS = {action.name: action for action in TABLE}
ON_FEET = tuple(action.name for action in TABLE if action.by_foot)
COMMANDS = tuple(sorted(ACTIONS.keys() - {NOTHING}))
"""What may be asked for by other means than the foot."""
