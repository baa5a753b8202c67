"""A tune: what a player asks for, before it is worked out in a key."""

from collections.abc import Mapping
from dataclasses import dataclass, field

from .feels import Feel
from .forms import Form
from .lines import Figure, Tail
from .pitch import Key


@dataclass(frozen=True, slots=True)
class Tune:
    """What to play. `choruses` is 0 for "until the foot says last time".

    `intro` is `none`, `turnaround`, or `from-v`: the form's last phrase. `pickups` has the ways
    into a change (see `pickups.PICKUPS`) that the player wants, by the bar the change falls in.
    """

    name: str
    title: str
    key: Key
    bpm: float
    form: Form
    feel: Feel
    figure: Figure
    turnaround: Tail | None
    ending: Tail
    choruses: int = 0
    intro: str = "none"
    pickups: Mapping[int, str] = field(default_factory=dict)
