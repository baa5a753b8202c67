"""Who plays along with a Session: machines that get its clock, one whose clock it follows, lamps elsewhere.

The Session tells what it does, and this hands it on. Where nobody plays along it costs next to nothing.
"""

from typing import TYPE_CHECKING

from ...events import NS_PER_MS, CommandDone, GestureDone, Result, Stopped, Sync
from ...music.timeline import Timeline
from ..form_position import FormPosition
from .clock_in import Led
from .clock_out import ClockOut
from .lamp_sender import LampSender

if TYPE_CHECKING:
    from ..session import Session

_SHOWN = GestureDone | CommandDone | Stopped  # what the lamps may have answered


class Company:
    """The company of one Session."""

    def __init__(self, session: "Session") -> None:
        self._session = session
        feel, settings, now = session.plan.feel, session.settings, session.now
        self.led = Led(session)
        self._clock = ClockOut(session.mbpm, feel.ticks, now) if settings.clock_out else None
        self._beacon = LampSender(session) if settings.follow_out else None
        self._stale = False  # the lamps show something that followers were not told

    # ---- time ---------------------------------------------------------------------------

    def next_due(self) -> int | None:
        """When there is next something to send."""
        return self._clock.next_due() if self._clock else None

    def pop(self, until: int) -> list[Sync]:
        """What is to be sent up to and including `until`."""
        return self._clock.pop(until) if self._clock else []

    def deadline(self) -> int | None:
        """When this next has something to do."""
        lost = self.led.deadline()
        told = self._beacon.due if self._beacon else None
        return told if lost is None or (told is not None and told < lost) else lost

    def advance(self, now: int) -> None:
        """Do it."""
        if (lost := self.led.deadline()) is not None and lost <= now:
            self.led.advance(now)
        elif self._beacon:
            self._beacon.beat(now)

    # ---- what the Session does ----------------------------------------------------------

    def hear(self, at: int, data: bytes) -> None:
        """Another machine has said something."""
        self.led.hear(at, data)
        self.told(at)

    def aligned(self, at: int, position: FormPosition) -> tuple[int, int] | None:
        """Time and tempo of a start, if another machine leads."""
        return self.led.aligned(at, position)

    def started(self, timeline: Timeline, position: FormPosition, begins: int | None, after: int) -> None:
        """The band plays from `position`; with `begins`, from that tick of it, where the leading machine is."""
        if self._clock:
            if begins is None:
                plan = self._session.plan
                beats = (position.count - position.bar + 1) * plan.feel.beats - position.beat + 1
                self._clock.started(timeline, position.tick + beats * plan.feel.ticks, 0, after)
            else:
                self._clock.started(timeline, begins, self.led.song, after)
        self.beat()
        self._changed()

    def moved(self, timeline: Timeline, after: int) -> None:
        """Another tempo from later than `after`."""
        if self._clock:
            self._clock.moved(timeline, after)
        self.beat()
        if timeline.before and abs(timeline.before.beat_ns - timeline.beat_ns) > NS_PER_MS:
            self._changed()

    def beat(self) -> None:
        """The band has come to another beat, or it comes at another time."""
        if self._beacon:
            self._beacon.schedule()

    def stopped(self, at: int) -> None:
        """The band has stopped; at `at` it is silent."""
        if self._clock:
            self._clock.stopped(at, self._session.mbpm, rewind=not self.led.holds)
        self.led.band_stopped(self._session.now)
        self._changed()

    def paced(self, after: int) -> None:
        """A stopped band would play at another tempo."""
        if self._clock and not self._session.position:
            self._clock.paced(after, self._session.mbpm)

    def idle(self) -> None:
        """The lamps of a stopped band begin their round anew."""
        self._changed()

    def noticed(self, result: Result) -> None:
        """The Session has put out a result."""
        if isinstance(result, _SHOWN):
            self._changed()

    def _changed(self) -> None:
        self._stale = True

    def told(self, at: int) -> None:
        """All that belongs to this moment has happened: say so, if there is something to say."""
        if self._stale:
            self._stale = False
            if self._beacon:
                self._beacon.tell(at)
