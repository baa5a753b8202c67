"""The leader's side of `follow`: tells other boxes what the lamps show, beat by beat and press by press.

A beat is told a little before it begins, with all that the lamps do until it ends, so that a cable
that takes its time makes no lamp late. A press is told at once. While the band is stopped, every
second: then a follower that is switched on knows soon what is the matter.
"""

from ...events import NS_PER_MS, Sync
from ..form_position import FormPosition
from ..lamp_patterns import IDLE_NS
from ..lamp_scheduler import LampScheduler
from ..report import Report, report_of
from ..state import State
from .lamp_message import Shown, bits_of, encode

AHEAD_NS = 30 * NS_PER_MS  # 40 bytes on a DIN cable take 13 ms
IDLE_EVERY_MS = 1000


class LampSender:
    """Makes the messages of one leader, and says when the next is due."""

    def __init__(self, now: int) -> None:
        self._run = now // NS_PER_MS % 128
        self._number = 0
        self.due: int | None = now
        """When it next says something by itself."""

    def schedule(self, state: State, now: int) -> None:
        """The band's next beat comes when the State says now."""
        if state.position and state.timeline:
            due = state.timeline.at(state.position.tick + state.plan.feel.ticks) - AHEAD_NS
            self.due = due if due > now else None

    def tell(
        self, at: int, state: State, lamps: LampScheduler, coming: FormPosition | None, ahead: bool = False
    ) -> Sync:
        """What the lamps show now and what comes; `ahead`: where the `coming` beat is, not this one."""
        at = max(at, state.now)
        position, timeline = state.position, state.timeline
        if position and timeline:
            ticks = state.plan.feel.ticks
            ends, every = timeline.at(position.tick + 2 * ticks), timeline.beat_ns // NS_PER_MS
            until = ends + state.settings.latency_ns - 1
            if coming is None:
                until -= timeline.beat_ns
            if self.due is None and timeline.at(position.tick + ticks) - AHEAD_NS > at:
                self.schedule(state, state.now)
        else:
            until, every = at + IDLE_NS - 1, IDLE_EVERY_MS
            self.due = at + IDLE_EVERY_MS * NS_PER_MS
        where = report_of(state._replace(position=coming) if ahead and coming else state)
        return Sync(at, self._message(at, until, every, where, lamps), "follow")

    def _message(self, at: int, until: int, every: int, where: Report, lamps: LampScheduler) -> bytes:
        now = at // NS_PER_MS
        lit = set(lamps.lit())
        changes: dict[int, int] = {}
        for light in lamps.foresee(until):
            (lit.add if light.lit else lit.discard)(light.lamp)
            changes[max(0, round(light.due / NS_PER_MS) - now)] = bits_of(tuple(lit))
        start = changes.pop(0, bits_of(lamps.lit()))
        number, self._number = self._number, (self._number + 1) % 128
        return encode(
            Shown(
                self._run,
                number,
                now,
                where.state,
                where.chorus,
                where.bar,
                where.beat,
                every,
                start,
                tuple(changes.items()),
            )
        )
