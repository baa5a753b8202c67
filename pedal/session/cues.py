"""The foot moves the form: cues, on time and late, and the last time.

A cue belongs to a bar line from anywhere in the bar before it until a little after: learners
stomp *with* the change.

    ...|------------ the bar before ------------|--20 ms--|--150 ms or 1/3 beat--|---
              takes effect on the line             late: at the next subdivision
                                                   that is at least 40 ms away
"""

from typing import TYPE_CHECKING

from ..events import NS_PER_MS
from ..music.grid import slot_ticks
from .form_position import Cue, FormPosition, by_clock, cued
from .outcome import Answer

if TYPE_CHECKING:
    from .session import Session

LATE_NS = 20 * NS_PER_MS  # a cue closer to the bar line than this is late
GRACE_NS = 150 * NS_PER_MS  # and this long after it, or a third of a beat, it still counts
SOON_NS = 40 * NS_PER_MS  # a late cue sounds at least so much later


class Cues:
    """Cues of one Session."""

    def __init__(self, session: "Session") -> None:
        self._session = session
        self._waited = False  # the bar line just passed was one that a cue could have moved
        self._rest_until = 0  # tick until which a cued change is left alone

    def beat_began(self, before: FormPosition, position: FormPosition) -> None:
        """The band has come to another beat."""
        if position.beat == 1:
            self._waited = (
                before.mode == "vamp" and not by_clock(self._session.plan, before) and not before.cue
            )
            if before.cue:
                self._rest_until = position.tick + position.late + self._session.plan.feel.ticks

    def stopped(self) -> None:
        """The music is over."""
        self._waited, self._rest_until = False, 0

    def cue(self, at: int, back: bool = False) -> Answer:
        """Go on at the bar line; close before it or just after it, as soon as one can.

        `back`: to the step before this one, on the next bar line.
        """
        session, position, timeline = self._session, self._session.position, self._session.timeline
        if not position or not timeline:
            return "not playing"
        plan = session.plan
        if by_clock(plan, position):
            return "the form moves by itself"
        if timeline.tick_at(at) < self._rest_until:
            return "the change has just come"
        if position.cue:
            return "already cued"
        feel = plan.feel
        line = position.tick + (feel.beats - position.beat + 1) * feel.ticks
        if self._within_grace(at, position) and self._waited and not back:
            late = self._late_tick(at, position.tick)
            moved = cued(plan, position, position.tick)._replace(late=late, before=position, hit=False)
            self._rest_until = position.tick + late + feel.ticks
            self._waited = False
            session.change(at, moved, cut=position.tick + late)
            return lambda now: self._unlate(now, position)
        to_line = timeline.at(line) - at
        heard = timeline.tick_at(session.frozen_until(at))
        if back:
            cue = Cue(heard, 0, self._late_tick(at, line) if to_line < LATE_NS else 0, back=True)
        elif to_line < LATE_NS:
            cue = Cue(heard, 0, self._late_tick(at, line))
        else:
            cue = Cue(heard, min(2, to_line // timeline.beat_ns))
        session.change(at, position._replace(cue=cue), cut=line + cue.late)
        return self._uncue

    def _uncue(self, at: int) -> None:
        session, position = self._session, self._session.position
        if position and position.cue and session.timeline:
            feel = session.plan.feel
            line = position.tick + (feel.beats - position.beat + 1) * feel.ticks
            if session.timeline.at(line) > session.frozen_until(at):  # else it has been taken
                session.change(at, position._replace(cue=None))

    def _unlate(self, at: int, before: FormPosition) -> None:
        session, position = self._session, self._session.position
        if position and position.before and session.timeline:
            sounds = session.timeline.at(position.tick + position.late)
            if sounds > session.frozen_until(at):
                self._rest_until = 0
                session.change(at, before)

    def _within_grace(self, at: int, position: FormPosition) -> bool:
        timeline = self._session.timeline
        assert timeline
        return position.beat == 1 and at - timeline.at(position.tick) <= min(timeline.beat_ns // 3, GRACE_NS)

    def _late_tick(self, at: int, beat_tick: int) -> int:
        """Ticks into the beat of the next subdivision at least SOON_NS after `at`."""
        session, timeline = self._session, self._session.timeline
        assert timeline
        feel = session.plan.feel
        swing = feel.swing_at(timeline.mbpm / 1000)
        for slots in (3 if swing > 1.2 or feel.meter[1] == 8 else 2, 4):
            for tick in slot_ticks(slots, feel.ticks, swing)[1:]:
                if timeline.at(beat_tick + tick) >= at + SOON_NS:
                    return tick
        raise AssertionError("the grace is shorter than three quarters of any beat")

    def last(self, at: int) -> Answer:
        """Arm the ending for this chorus, or the next if this one is past it; again: withdraw."""
        session, position = self._session, self._session.position
        if not position:
            return "not playing"
        if position.drill:
            return "a drill has no last time"
        plan = session.plan
        in_ending = position.is_last and position.bar >= plan.ending_bar
        if position.last >= max(position.chorus, 1) and not in_ending:
            session.change(at, position._replace(last=0, late_last=0))
            return None
        if in_ending:
            return "the ending is on"
        if position.counting or position.bar < plan.ending_bar:
            return self._arm_last(at, position, max(position.chorus, 1))
        if position.bar == plan.ending_bar and self._within_grace(at, position):
            late = self._late_tick(at, position.tick)
            moved = position._replace(last=position.chorus, cue=None, late=late, before=position)
            session.change(at, moved, cut=position.tick + late)
            return None
        return self._arm_last(at, position, position.chorus + 1)

    def _arm_last(self, at: int, position: FormPosition, chorus: int) -> None:
        session, timeline, plan = self._session, self._session.timeline, self._session.plan
        assert timeline
        line = position.tick + plan.feel.ticks
        at_line = (
            position.beat == plan.feel.beats
            and position.bar + 1 == plan.ending_bar
            and chorus == position.chorus
        )
        late = self._late_tick(at, line) if at_line and timeline.at(line) - at < LATE_NS else 0
        session.change(at, position._replace(last=chorus, late_last=late))
