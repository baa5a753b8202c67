"""What the practice log is told: the end of a chorus, and of a drill's repetition."""

from ..events import ChorusDone, RepetitionDone
from ..music.plan import Plan
from .form_position import FormPosition

Done = ChorusDone | RepetitionDone


def diary_entry(
    plan: Plan, before: FormPosition, after: FormPosition | None, due: int, mbpm: int
) -> Done | None:
    """The entry for the step from one beat to the next (None: the music is over), if it is one."""
    drill = before.drill
    over = after is None or after.chorus > before.chorus or (after.drill is None) != (drill is None)
    if not over or before.chorus == 0:
        return None
    what = (plan.tune.name, str(plan.key), mbpm)
    if drill and not drill.whole:
        if not drill.hats:
            return None  # left in the middle
        return RepetitionDone(due, *what, drill.loop.change, not drill.missed, drill.pace)
    if before.bar < len(plan.layout):
        return None
    return ChorusDone(due, *what, before.chorus)


class Diary:
    """The entries of one Session, beat by beat."""

    def __init__(self) -> None:
        self._step: tuple[FormPosition, FormPosition] | None = None  # the last one, as it looked then

    def entries(
        self, plan: Plan, before: FormPosition, after: FormPosition | None, due: int, mbpm: int
    ) -> list[Done]:
        """What there is to note at the step from one beat to the next."""
        steps: list[tuple[FormPosition, FormPosition | None]] = [(before, after)]
        if self._step:
            came, looked = self._step
            if looked.tick == before.tick and looked.chorus < before.chorus:
                steps.insert(0, (came, before))  # a late cue has made the beat the first of a chorus
        self._step = (before, after) if after else None
        entries = (diary_entry(plan, one, two, due, mbpm) for one, two in steps)
        return [entry for entry in entries if entry]
