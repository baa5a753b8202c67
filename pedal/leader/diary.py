"""What the practice log is told: the end of a chorus, and of a drill's repetition."""

from typing import Any

from ..events import Mark
from ..score.plan import Plan
from .walk import Walk


def diary_entry(plan: Plan, before: Walk, after: Walk | None, due: int, mbpm: int) -> Mark | None:
    """The entry for the step from one beat to the next (None: the music is over), if it is one."""
    drill = before.drill
    over = after is None or after.chorus > before.chorus or (after.drill is None) != (drill is None)
    if not over or before.chorus == 0:
        return None
    fields: dict[str, Any] = {"tune": plan.tune.name, "key": str(plan.key), "mbpm": mbpm}
    if drill and not drill.whole:
        if not drill.hats:
            return None  # left in the middle
        fields |= {"change": drill.loop.change, "clean": not drill.missed, "pace": drill.pace}
        return Mark(due, "repetition", fields)
    if before.bar < len(plan.layout):
        return None
    return Mark(due, "chorus", fields | {"chorus": before.chorus})
