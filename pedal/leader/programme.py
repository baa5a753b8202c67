"""A set: what is played tonight, entry by entry, so that one switch reaches everything."""

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

from ..events import PlanWanted
from ..score.beat import Note
from ..score.plan import Plan
from .answers import Answer
from .lamps import PULSE, Panel
from .timeline import Timeline
from .wire import Wire

if TYPE_CHECKING:
    from .session import Session


PREVIEW_VELOCITY, PREVIEW_BARS = 76, 2


@dataclass(frozen=True, slots=True)
class Entry:
    """One entry of a set. Key, tempo, mode and guide are None where the tune's or the box's own hold."""

    tune: str
    key: str | None = None
    mbpm: int | None = None
    mode: str | None = None
    guide: str | None = None


class Programme:
    """Where in the set the Session is."""

    def __init__(self, session: "Session", entries: tuple[Entry, ...]) -> None:
        self._session = session
        self._entries = entries
        self._index = 0
        self._waiting: Entry | None = None

    def move(self, at: int, by: int) -> Answer:
        """The entry `by` further on, round the ends."""
        session = self._session
        if session.walk:
            return "entries change when stopped"
        if len(self._entries) < 2:
            return "there is no set" if not self._entries else "the set has one entry"
        self._index = (self._index + by) % len(self._entries)
        entry = self._waiting = self._entries[self._index]
        session.want(PlanWanted(at, entry.tune, entry.key, entry.mbpm))
        return None

    def arrived(self, plan: Plan) -> bool:
        """A plan is here. If it is the entry's, its mode and guide hold from now on."""
        entry, session = self._waiting, self._session
        if not entry or entry.tune != plan.tune.name:
            return False
        self._waiting = None
        settings = session.settings
        session.settings = replace(
            settings, mode=entry.mode or settings.mode, guide=entry.guide or settings.guide
        )
        return True


def preview(plan: Plan, mbpm: int, start: int, wire: Wire, panel: Panel) -> int:
    """The new tonic chord, and the tempo on the lamps for two bars. Returns when it is over.

    No clicks: the band would come in.
    """
    ticks, first = plan.feel.ticks, plan.layout[0][0].sounding[0]
    timeline = wire.timeline = Timeline(0, start + 1, mbpm, ticks)
    for key in first.voicing:
        wire.note(Note(0, 2 * ticks, 0, "chords", key, PREVIEW_VELOCITY), (0, 0, 0), start)
    lamp = plan.chords[first.chord].degree.lamp
    beats = PREVIEW_BARS * plan.feel.beats
    for beat in range(beats):
        panel.wink(timeline.at(beat * ticks), timeline.at(beat * ticks + ticks // 2), lamp, PULSE)
    return timeline.at(beats * ticks)
