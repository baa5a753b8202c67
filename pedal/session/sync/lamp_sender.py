"""The leader's side of `follow`: tells other boxes what the lamps show, beat by beat and press by press.

A beat is told a little before it begins, with all that the lamps do until it ends, so that a cable
that takes its time makes no lamp late. A press is told at once. While the band is stopped, every
second: then a follower that is switched on knows soon what is the matter.
"""

from typing import TYPE_CHECKING

from ...events import NS_PER_MS, Sync
from ..lamp_patterns import IDLE_NS
from ..report import Report, position_of
from .lamp_message import Shown, bits_of, encode

if TYPE_CHECKING:
    from ..session import Session

AHEAD_NS = 30 * NS_PER_MS  # 40 bytes on a DIN cable take 13 ms
IDLE_EVERY_MS = 1000


class LampSender:
    """Of one Session."""

    def __init__(self, session: "Session") -> None:
        self._session = session
        self._run = session.now // NS_PER_MS % 128
        self._number = 0
        self.due: int | None = session.now
        """When it next says something by itself."""

    def schedule(self) -> None:
        """The band's next beat comes when the Session says now."""
        session = self._session
        if session.position and session.timeline:
            due = session.timeline.at(session.position.tick + session.plan.feel.ticks) - AHEAD_NS
            self.due = due if due > session.now else None

    def beat(self, at: int) -> None:
        """The time for which it was scheduled has come."""
        self.due = None
        self.tell(at, ahead=True)

    def tell(self, at: int, ahead: bool = False) -> None:
        """Say what the lamps show now and what comes; `ahead`: where the next beat is, not this one."""
        session = self._session
        at, there = max(at, session.now), session.next_position()
        position, timeline = session.position, session.timeline
        if position and timeline:
            ticks = session.plan.feel.ticks
            ends, every = timeline.at(position.tick + 2 * ticks), timeline.beat_ns // NS_PER_MS
            until = ends + session.settings.latency_ns - 1
            if there is None:
                until -= timeline.beat_ns
            if self.due is None and timeline.at(position.tick + ticks) - AHEAD_NS > at:
                self.schedule()
        else:
            until, every = at + IDLE_NS - 1, IDLE_EVERY_MS
            self.due = at + IDLE_EVERY_MS * NS_PER_MS
        place = session.report
        if ahead and there:
            place = position_of(session.plan, there, place.mbpm)
        session.emit(Sync(at, self._message(at, until, every, place), "follow"))

    def _message(self, at: int, until: int, every: int, place: Report) -> bytes:
        session, now = self._session, at // NS_PER_MS
        lit, changes = set(session.lamps.lit()), {}
        for light in session.lamps.foresee(until):
            (lit.add if light.lit else lit.discard)(light.lamp)
            changes[max(0, round(light.due / NS_PER_MS) - now)] = bits_of(tuple(lit))
        start = changes.pop(0, bits_of(session.lamps.lit()))
        number, self._number = self._number, (self._number + 1) % 128
        return encode(
            Shown(
                self._run,
                number,
                now,
                place.state,
                place.chorus,
                place.bar,
                place.beat,
                every,
                start,
                tuple(changes.items()),
            )
        )
