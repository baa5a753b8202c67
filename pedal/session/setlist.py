"""A set: what is played tonight, entry by entry, so that one switch reaches everything."""

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

from ..events import PlanWanted
from ..music.beat import Note
from ..music.plan import Plan
from ..music.timeline import Timeline
from .form_position import FormPosition
from .lamp_patterns import PULSE
from .lamp_scheduler import LampScheduler
from .note_queue import NoteQueue
from .outcome import Answer

if TYPE_CHECKING:
    from .session import Session


PREVIEW_VELOCITY, PREVIEW_BARS = 76, 2
FOURTH = 5  # semitones


@dataclass(frozen=True, slots=True)
class Entry:
    """One entry of a set, or one step of a routine.

    Key, tempo, mode and guide are None where the tune's or the box's own hold. A step of a
    routine may move the key `up` by semitones from where it is, has its goal in `choruses` (or, in
    a drill, in the `hardest` so many transitions), goes round the `circle` of keys, a fourth up
    every chorus, and `goes_on`: when its goal is met the next
    step begins by itself.
    """

    tune: str
    key: str | None = None
    mbpm: int | None = None
    mode: str | None = None
    guide: str | None = None
    up: int = 0
    choruses: int = 0
    hardest: int = 0
    circle: bool = False
    goes_on: bool = False


class Programme:
    """Where in the set or the routine the Session is."""

    def __init__(self, session: "Session", entries: tuple[Entry, ...]) -> None:
        self._session = session
        self._entries = entries
        self._usual = session.settings  # what holds where an entry says nothing
        if entries:
            self._hold(entries[0])
        self._index = 0
        self._waiting: Entry | None = None
        self._begins = False  # the waiting entry is to begin by itself

    @property
    def entry(self) -> Entry | None:
        """The entry that is on."""
        return self._entries[self._index] if self._entries else None

    def move(self, at: int, by: int) -> Answer:
        """The entry `by` further on, round the ends."""
        if self._session.position:
            return "entries change when stopped"
        if len(self._entries) < 2:
            return "there is no set" if not self._entries else "the set has one entry"
        self._ask(at, (self._index + by) % len(self._entries), begins=False)
        return None

    def finished(self, at: int) -> None:
        """The music has come to its end: a routine goes on by itself."""
        if self._entries and self._entries[self._index].goes_on and self._index + 1 < len(self._entries):
            self._ask(at, self._index + 1, begins=True)

    def beat_began(self, position: FormPosition) -> None:
        """Round the circle: as a chorus begins, find out how to leave it for the next key."""
        session, entry = self._session, self.entry
        begins = position.chorus > 0 and (position.bar, position.beat) == (1, 1)
        if not (entry and entry.circle and begins) or position.is_last or position.mode != "through":
            return
        plan = session.plan
        lead = str(plan.key.up(FOURTH))
        session.want(PlanWanted(session.now, plan.tune.name, str(plan.key), session.full_mbpm, lead))

    def _ask(self, at: int, index: int, begins: bool) -> None:
        session = self._session
        self._index, self._begins = index, begins
        entry = self._waiting = self._entries[index]
        key = entry.key
        if entry.up:
            session.wanted_key = session.wanted_key.up(entry.up)
            key = str(session.wanted_key)
        elif entry.goes_on and key is None and entry.tune == session.plan.tune.name:
            key = str(session.wanted_key)  # a routine stays in the key it has come to
        session.want(PlanWanted(at, entry.tune, key, entry.mbpm))

    def arrived(self, plan: Plan) -> bool:
        """A plan is here; an entry's mode and guide hold from now on. True if it begins by itself."""
        entry = self._waiting
        if not entry or entry.tune != plan.tune.name:
            return False
        self._waiting = None
        self._hold(entry)
        return self._begins

    def _hold(self, entry: Entry) -> None:
        usual, session = self._usual, self._session
        session.settings = replace(
            session.settings, mode=entry.mode or usual.mode, guide=entry.guide or usual.guide
        )


def preview(plan: Plan, mbpm: int, start: int, wire: NoteQueue, lamps: LampScheduler) -> int:
    """The new tonic chord, and the tempo on the lamps for two bars. Returns when it is over.

    No clicks: the band would come in.
    """
    ticks, first = plan.feel.ticks, plan.layout[0][0].sounding[0]
    timeline = wire.timeline = Timeline(0, start + 1, mbpm, ticks)
    chord = [Note(0, 2 * ticks, 0, "chords", key, PREVIEW_VELOCITY) for key in first.voicing]
    wire.notes(chord, (0, 0, 0), start)
    lamp = plan.chords[first.chord].degree.lamp
    beats = PREVIEW_BARS * plan.feel.beats
    for beat in range(beats):
        lamps.wink(timeline.at(beat * ticks), timeline.at(beat * ticks + ticks // 2), lamp, PULSE)
    return timeline.at(beats * ticks)
