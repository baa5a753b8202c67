"""Other ways into a chord than the figure's own pickup, in the same rhythm.

All of them land on the root on the downbeat; what differs is the way there.
"""

from collections.abc import Mapping
from typing import NamedTuple

from .lines import Figure

WRITTEN = "written"
PICKUPS = {
    WRITTEN: "as written",
    "swapped": "order swapped",
    "below": "semitone from below",
    "above": "semitone from above",
    "double": "from above, then from below",
    "plain": "plain root",
}


class Bent(NamedTuple):
    """A step of a pickup: counted from the coming chord's root or else from the present one's.

    `own` as in `lines.Step`.
    """

    coming: bool
    semitones: int
    dead: bool = False
    own: int = 0


Bend = tuple[Bent, ...]  # as many as the figure's pickup has steps
Bends = Mapping[tuple[int, int, int], Bend]  # by bar, chord left and chord reached; bar 0 is any


def bend_for(bends: Bends, bar: int, stays: int, onto: int | None) -> Bend | None:
    """How the pickup into a bar is bent; None as written."""
    if onto is None:
        return None
    return bends.get((bar, stays, onto)) or bends.get((0, stays, onto))


def bend(name: str, figure: Figure, landing: int) -> Bend | None:
    """The pickup of a name (see PICKUPS), or None if the figure's has not the steps for it.

    `landing` is the note on the downbeat, in semitones above the coming chord's root. An
    approach takes the last step or two; before it the root that still sounds is repeated.
    """
    written = tuple(Bent(True, step.semitones, step.dead, step.own) for step in figure.line if step.pickup)
    stays = Bent(False, 0)
    if name == WRITTEN:
        ways: Bend = written
    elif name == "swapped":
        ways = written[::-1] if len(written) > 1 else ()
    elif name == "plain":
        ways = (stays,) * len(written)
    else:
        steps = {"below": (-1,), "above": (1,), "double": (1, -1)}[name]
        approach = tuple(Bent(True, landing + semitones) for semitones in steps)
        ways = (stays,) * (len(written) - len(steps)) + approach if len(written) >= len(steps) else ()
    return ways or None
