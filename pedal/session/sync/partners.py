"""Who plays along: machines that get the clock, one whose clock is followed, lamps elsewhere.

The Session tells what it does, and this hands it on. Where nobody plays along it costs next to nothing.
"""

from ...events import NS_PER_MS, CommandDone, GestureDone, Result, Stopped, Sync
from ...music.timeline import Timeline
from ..form_position import FormPosition
from ..lamp_scheduler import LampScheduler
from ..state import State
from .clock_in import FollowedClock, Wish
from .clock_out import ClockOut
from .lamp_sender import LampSender

_SHOWN = GestureDone | CommandDone | Stopped  # what the lamps may have answered


class Partners:
    """All who play along with one Session."""

    def __init__(self, state: State) -> None:
        feel, settings, now = state.plan.feel, state.settings, state.now
        self.followed = FollowedClock()
        self._clock = ClockOut(state.mbpm, feel.ticks, now) if settings.clock_out else None
        self._sender = LampSender(now) if settings.follow_out else None
        self._stale = False  # the lamps show something that followers were not told

    # ---- time ---------------------------------------------------------------------------

    def next_due(self) -> int | None:
        """When there is next something to send."""
        return self._clock.next_due() if self._clock else None

    def pop(self, until: int) -> list[Sync]:
        """What is to be sent up to and including `until`."""
        return self._clock.pop(until) if self._clock else []

    def deadline(self) -> int | None:
        """When this next has something to do: `dropped_out`, or else `ahead`."""
        lost = self.followed.deadline()
        told = self._sender.due if self._sender else None
        return told if lost is None or (told is not None and told < lost) else lost

    def dropped_out(self, now: int, state: State) -> list[Wish] | None:
        """What a followed clock wants that has dropped out by now; None if it has not."""
        lost = self.followed.deadline()
        return self.followed.dropped_out(now, state) if lost is not None and lost <= now else None

    def ahead(self, at: int, state: State, lamps: LampScheduler, coming: FormPosition | None) -> Sync | None:
        """Tell followers of the coming beat: it is time."""
        if not self._sender:
            return None
        self._sender.due = None
        return self._sender.tell(at, state, lamps, coming, ahead=True)

    # ---- what the Session does ----------------------------------------------------------

    def started(self, state: State, begins: int | None, song: int, after: int) -> None:
        """The band plays from its position; with `begins`, from that tick of it, at a clock of the song."""
        position, timeline = state.position, state.timeline
        if self._clock and position and timeline:
            if begins is None:
                feel = state.plan.feel
                beats = (position.count_in - position.bar + 1) * feel.beats - position.beat + 1
                self._clock.started(timeline, position.tick + beats * feel.ticks, 0, after)
            else:
                self._clock.started(timeline, begins, song, after)
        self.beat(state, state.now)
        self._stale = True

    def moved(self, state: State, timeline: Timeline, after: int) -> None:
        """Another tempo from later than `after`."""
        if self._clock:
            self._clock.moved(timeline, after)
        self.beat(state, state.now)
        if timeline.before and abs(timeline.before.beat_ns - timeline.beat_ns) > NS_PER_MS:
            self._stale = True

    def beat(self, state: State, now: int) -> None:
        """The band has come to another beat, or it comes at another time."""
        if self._sender:
            self._sender.schedule(state, now)

    def stopped(self, at: int, state: State) -> list[Wish]:
        """The band has stopped; at `at` it is silent."""
        if self._clock:
            self._clock.stopped(at, state.mbpm, rewind=not self.followed.holds)
        self._stale = True
        return self.followed.band_stopped(state.now)

    def paced(self, after: int, state: State) -> None:
        """A stopped band would play at another tempo."""
        if self._clock and not state.position:
            self._clock.paced(after, state.mbpm)

    def shown(self) -> None:
        """The lamps show something else: a stopped band's round begins anew, or something is wrong."""
        self._stale = True

    def noticed(self, result: Result) -> None:
        """The Session has put out a result."""
        if isinstance(result, _SHOWN):
            self._stale = True

    @property
    def is_stale(self) -> bool:
        """Whether there are followers who were not told something: if so, it must be `said` now."""
        return self._stale and self._sender is not None

    def said(self, at: int, state: State, lamps: LampScheduler, coming: FormPosition | None) -> Sync | None:
        """Tell followers what the lamps show, if there are any."""
        self._stale = False
        return self._sender.tell(at, state, lamps, coming) if self._sender else None
