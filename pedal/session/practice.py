"""Practising: flagging changes, and leading a drill by foot (what a drill does is in `drill`)."""

from collections.abc import Mapping
from dataclasses import replace
from typing import TYPE_CHECKING

from ..events import TemposKnown
from . import drill as drilling
from .drill import Drill, Loop
from .form_position import FormPosition, count_in, leave_drill
from .gestures import DOUBLE_NS
from .outcome import Answer

if TYPE_CHECKING:
    from .session import Session


class Practice:
    """The flags and drills of one Session."""

    def __init__(self, session: "Session") -> None:
        self._session = session
        self.flags: list[Loop] = []
        self._clean: dict[tuple[str, str], Mapping[int, int]] = {}

    def flag(self, at: int) -> Answer:
        """Note this change; practising alone, drill it from the next phrase on."""
        session, position = self._session, self._session.position
        if not position or position.chorus == 0 or position.is_last:
            return "nothing to flag here"
        loops = drilling.loops_of(session.plan)
        loop = drilling.flagged(session.plan, loops, position.bar, position.beat)
        waiting = position.drill_next
        if session.settings.use == "band":
            self.flags.append(loop)
            return lambda _: self.flags.remove(loop)
        if waiting:
            self.flags = [flag for flag in self.flags if flag not in waiting.loops]
            session.change(at, position._replace(drill_next=None))
            return lambda now: self._wait_for_drill(now, waiting)
        self.flags.append(loop)
        # Not while this tap may still turn out to be half of a double.
        sure = session.timeline.tick_at(at + DOUBLE_NS) if session.timeline else 0
        self._wait_for_drill(at, replace(self._drill_of((loop,), came_through=True), not_before=sure))
        return lambda now: self._unflag(now, loop)

    def _wait_for_drill(self, at: int, drill: Drill | None) -> None:
        if position := self._session.position:
            self._session.change(at, position._replace(drill_next=drill))

    def _unflag(self, at: int, loop: Loop) -> None:
        self.flags.remove(loop)
        self._wait_for_drill(at, None)

    def know(self, said: TemposKnown) -> None:
        """What the log says of the changes of a tune in a key."""
        self._clean[said.tune, said.key] = said.mbpm

    def _drill_of(self, loops: tuple[Loop, ...], came_through: bool) -> Drill:
        session = self._session
        clean = self._clean.get((session.plan.tune.name, str(session.plan.key)), {})
        logged = {bar: mbpm * drilling.CEILING // session.mbpm for bar, mbpm in clean.items()}
        return drilling.begin(loops, logged, came_through, session.settings.mark == "clean")

    def first_position(self) -> FormPosition | None:
        """The count-in to a drill of the flagged changes, else of all; None if the form has no change."""
        session = self._session
        known = drilling.loops_of(session.plan)  # a flag may be of another tune of the set
        loops = tuple(flag for flag in dict.fromkeys(self.flags) if flag in known) or self._hardest_first()
        entry = session.programme.entry
        if entry and entry.hardest:
            loops = loops[: entry.hardest]
        if not loops:
            return None
        drill = self._drill_of(loops, came_through=False)
        position = count_in(session.plan, "drill", session.settings.step, session.mbpm * drill.pace // 1000)
        return position._replace(drill=drill, pace=drill.pace)

    def _hardest_first(self) -> tuple[Loop, ...]:
        """All loops in the order of what their hardest change costs the hand."""
        plan = self._session.plan
        cost = {change.bar: rank for rank, change in enumerate(plan.neck.transitions)}
        loops = drilling.loops_of(plan)
        return tuple(sorted(loops, key=lambda loop: min(cost.get(bar, len(cost)) for bar in loop.bars[1:-1])))

    def missed(self, at: int) -> Answer:
        """This repetition was not clean (or, if the foot marks the clean ones, it was)."""
        session, position = self._session, self._session.position
        if not position or not position.drill:
            return "no drill"
        if not position.drill.markable or position.counting:
            return "no change has come yet"
        marked = drilling.mark(position.drill)
        if marked == position.drill:
            return lambda _: None  # what an earlier tap has said stays said
        session.change(at, position._replace(drill=marked))
        return self._unmissed

    def _unmissed(self, at: int) -> None:
        position = self._session.position
        if position and position.drill:
            self._session.change(at, position._replace(drill=drilling.mark(position.drill, False)))

    def onward(self, at: int) -> Answer:
        """The next transition, from the next bar line on."""
        session, position = self._session, self._session.position
        if not position or not position.drill or position.counting:
            return "no drill"
        session.change(at, position._replace(drill=replace(position.drill, skip=True)))
        return None

    def leave(self, at: int) -> bool:
        """Back to the form, if the drill was entered from there."""
        session, position = self._session, self._session.position
        if not position or not position.drill or position.counting or not position.drill.came_through:
            return False
        session.change(at, leave_drill(session.plan, position))
        return True
