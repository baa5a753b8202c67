"""The changes of a tune as a list, hardest for the hand first, with the pickups there are."""

from ..music.neck.effort import SCALE
from ..music.neck.transitions import NOTICED_MM, Transition
from ..music.pickups import PICKUPS
from ..music.plan import Plan

_KINDS = {"turnaround": ", into the turnaround", "wrap": ", back to the top"}


def text_transitions(plan: Plan) -> str:
    """Each change with its reason, its cost by parts, the tones in common and the pickups."""
    lines = [
        "Changes, the hardest for the hand first",
        "Effort is counted in millimetres that the hand moves along the neck with time to spare. Of the",
        f"pickups the easiest is played; the figure's own, unless another saves more than {NOTICED_MM:.0f}.",
        "",
    ]
    for rank, change in enumerate(plan.neck.transitions, 1):
        lines += [f"{rank:3}  {_title(plan, change)}", *(f"     {line}" for line in _lines(change)), ""]
    return "\n".join(lines).rstrip()


def _title(plan: Plan, change: Transition) -> str:
    where = f"bar {change.bar}" + (f" beat {change.beat}" if change.beat > 1 else "")
    leaves, reaches = plan.chords[change.leaves], plan.chords[change.reaches]
    if leaves == reaches:
        chords = f"{leaves.degree} stays ({leaves.symbol})"
    else:
        chords = f"{leaves.degree} to {reaches.degree} ({leaves.symbol} to {reaches.symbol})"
    return f"{where}: {chords}{_KINDS.get(change.kind, '')}"


def _lines(change: Transition) -> list[str]:
    parts = {
        f"hand {change.mm:.0f} mm in {change.seconds:.2f} s": change.travel,
        "strings": change.crossing,
        "leap": change.leap,
        "stretch and open strings": change.holding,
    }
    split = ", ".join(f"{name} {_effort(cost)}" for name, cost in parts.items() if round(cost / SCALE))
    lines = [change.reason, f"effort {_effort(change.cost)}" + (f": {split}" if split else "")]
    if change.common:
        lines.append("; ".join(change.common))
    if change.variants:
        pickups = (
            f"{PICKUPS[one.name]} {_effort(one.cost)}{' (played)' if one.chosen else ''}"
            for one in change.variants
        )
        lines.append(f"pickup: {', '.join(pickups)}")
    return lines


def _effort(cost: int) -> str:
    return f"{cost / SCALE:.0f}"
