"""The Session: foot in, music and lamps out, on whatever clock its owner keeps.

It does no I/O and reads no clock. Time comes in with the inputs and with `take`; every output
carries when it is due. The owner's loop is

    for event in inbox.drain(): session.handle(event)
    for output in session.take(now): ...
    session.prepare(now)
    wait until session.deadline() or an input

Laws: `take(a) + take(b)` is `take(b)` if no input lies between; an input changes only sends that
are due later than its own time plus FREEZE (lamps: later than its own time); the same plan,
seed and inputs give the same outputs, byte for byte.

States: `stopped` (stomped taps are gathered here), then a position: count-in, form, ending. What a
gesture means in a state is in `footmap`; what follows a beat is in `position`; what is queued, and at
which tempo, in `player`.
"""

from ..events import (
    ClockIn,
    Command,
    EdgeHeard,
    FaultsKnown,
    Input,
    Loaded,
    Output,
    PlanWanted,
    Press,
    Release,
    Send,
    Stopped,
    TemposKnown,
)
from ..music.plan import Plan
from ..music.timeline import Timeline
from .actions import Actions
from .foot_map import ONE_SWITCH, FootMap
from .form_position import FormPosition
from .gestures import Foot
from .lamp_patterns import IDLE_NS
from .note_queue import EARLIEST_NS, quiet_controllers
from .player import Player
from .practice_events import Diary
from .setlist import Entry, Programme, preview
from .settings import SessionSettings
from .sync.partners import Company
from .synth_setup import setup_messages


class Session(Player):
    """One player's rhythm section. See the module's words for how to run it."""

    def __init__(
        self,
        plan: Plan,
        settings: SessionSettings | None = None,
        seed: int = 1,
        now: int = 0,
        footmap: FootMap = ONE_SWITCH,
        entries: tuple[Entry, ...] = (),
    ) -> None:
        super().__init__(plan, settings or SessionSettings(), seed, now)
        self.wanted_key = plan.key
        self._over_of: tuple[FormPosition | None, Timeline | None, int] = (
            None,
            None,
            0,
        )  # when this beat is over
        self._foot = Foot()
        self.programme = Programme(self, entries)
        self._actions = Actions(self, footmap)
        self._diary = Diary()
        self._idle_at = now  # when the next blip of readiness is due
        self.company = Company(self)

    # ---- the interface ----------------------------------------------------------------

    def handle(self, event: Input) -> None:
        """Take an input. Its `at` must not lie before that of an earlier input."""
        at = event.at
        self._advance(at)
        if isinstance(event, ClockIn):  # there are many: they must not cost much
            self.company.hear(at, event.data)
            return
        self.prepare(at)
        match event:
            case Press() | Release():
                down = isinstance(event, Press)
                self.emit(EdgeHeard(at, event.switch, down))
                for gesture in self._foot.edge(at, event.switch, down):
                    self._actions.gesture(gesture)
            case Command():
                self._actions.command(event)
            case Loaded(plan=Plan() as plan):
                self._load(plan, at)
            case TemposKnown():
                self._actions._practice.know(event)
            case FaultsKnown():
                self.lamps.set_faults(event.kinds)
        self.company.told(at)

    def take(self, now: int) -> list[Output]:
        """Everything due up to and including `now`, in wire order; final once taken."""
        self._advance(now)
        out, self._out = self._out, []
        return out

    def take_ready(self, now: int) -> list[Output]:
        """What `take` would begin with: the sends due before the lamps or the Session itself do a thing.

        On a beat the notes have long been ready, and the rest takes several times as long as they do.
        """
        first = _earliest(self._next_event(), self.lamps.next_change(), now) or now
        self.now = max(self.now, min(first, now))
        out, self._out = self._out + self._queue.pop(min(first, now)), []
        return out

    def deadline(self) -> int | None:
        """When `take` next has something to do."""
        return _earliest(self._next_event(), self._queue.next_due(), self.lamps.next_change())

    def sync_deadline(self) -> int | None:
        """When `take` next has something for others who play along. Nobody spins for that."""
        return self.company.next_due()

    def silence(self, now: int) -> list[Output]:
        """End everything and forget what was queued; the Session is stopped."""
        self._advance(now)
        if self.position:
            self._stopped(now)
            self.company.told(now)
        self._out += self._queue.silenced(now)
        return self.take(now)

    def setup(self, now: int) -> list[Send]:
        """Silence, programs and volumes, for a port that has just come (back)."""
        return quiet_controllers(now) + setup_messages(self.plan, now)

    # ---- for the actions --------------------------------------------------------------

    def halt(self, at: int) -> None:
        """Silence at once; ready again."""
        after = self.frozen_until(at)
        self._queue.revoke(after, marks_after=at)
        self._queue.silence(after)
        self._stopped(at, after + 1)

    def first_of_drill(self) -> FormPosition | None:
        """The beginning of a drill's count-in; None if there is nothing to drill."""
        return self._actions._practice.first_position()

    @property
    def waiting_tune(self) -> str | None:
        """Another tune that waits for this one to stop."""
        waits = self._waiting_plan
        return waits.tune.name if waits and waits.tune != self.plan.tune else None

    @property
    def waits(self) -> str | None:
        """What comes when this has stopped, or with its next chorus: a tune and its key."""
        waits = self._waiting_plan
        return f"{waits.tune.name} in {waits.key}" if waits else None

    def want(self, wanted: PlanWanted) -> None:
        """Ask for another plan."""
        self.emit(wanted)

    # ---- time -------------------------------------------------------------------------

    def _next_event(self) -> int | None:
        """When the Session next changes by itself."""
        own, position, timeline = self._idle_at, self.position, self.timeline
        if position and timeline:
            if self._over_of[0] is not position or self._over_of[1] is not timeline:
                self._over_of = (position, timeline, timeline.at(position.tick + self.plan.feel.ticks))
            own = self._over_of[2] if self._composed_next else self._over_of[2] - EARLIEST_NS
        own = _earliest(own, self.company.deadline(), None)
        return _earliest(self._foot.deadline(), self._actions.deadline(), own)

    def _advance(self, now: int) -> None:
        while (time := self._next_event()) is not None and time <= now:
            self._flush(time, time - 1)  # company last: an event may stop what others get with it
            self._event(time)
        self._flush(now, now)
        self.now = max(self.now, now)

    def _event(self, time: int) -> None:
        self.now = max(self.now, time)
        if (due := self._foot.deadline()) is not None and due <= time:
            self.prepare(time)
            for gesture in self._foot.advance(time):
                self._actions.gesture(gesture)
        elif (due := self._actions.deadline()) is not None and due <= time:
            self._actions.advance(time)
        elif (due := self.company.deadline()) is not None and due <= time:
            self.company.advance(time)
        elif not self.position and self._start_at is not None and self._start_at <= time:
            self._actions.command(Command(self._start_at, "start"))
        elif not self.position:
            self._idle_at = self.lamps.idle(self._idle_at)
            self.company.idle()
        elif not self._composed_next:
            self._compose_next(-1)
        else:
            self._next_beat()
        self.company.told(time)

    def _flush(self, until: int, company: int) -> None:
        sends = self._queue.pop(until)
        lights = self.lamps.show(until)
        due = sends + lights + self.company.pop(company)  # what is due together leaves in this order
        self._out += sorted(due, key=lambda output: output.due) if len(due) > len(sends) else sends

    def _next_beat(self) -> None:
        assert self.position and self.timeline
        if self._next is None:
            self._log(self.position, None)
            over = self.timeline.at(self.position.tick + self.plan.feel.ticks)
            self._stopped(over)
            self.programme.finished(over)
            return
        if self._next_plan is not self.plan:
            self.plan, self._waiting_plan = self._next_plan, None
            self.wanted_key = self.plan.key
        before, self.position, self._composed_next = self.position, self._next, False
        self._log(before, self.position)
        if self.position.pace != before.pace and not self.company.led.leads:
            self._change_pace(self.position)
        self._actions.beat_began(before, self.position)
        self.programme.beat_began(self.position)
        self.company.beat()

    def _log(self, before: FormPosition, after: FormPosition | None) -> None:
        assert self.timeline
        due = self.timeline.at(before.tick + self.plan.feel.ticks)
        for entry in self._diary.entries(self.plan, before, after, due, self.timeline.mbpm):
            self.emit(entry)

    def _stopped(self, at: int, silent: int | None = None) -> None:
        """The band has stopped; nothing more is due later than `silent`, if that is not at once."""
        self.position = self.timeline = self._next = None
        self._composed_next = False
        self.lamps.drop_after(at)
        self.emit(Stopped(at))
        self._idle_at = at + IDLE_NS
        self._actions.stopped()
        self.company.stopped(at if silent is None else silent)
        if self._waiting_plan:
            self._load(self._waiting_plan, at)

    def _load(self, plan: Plan, at: int) -> None:
        """Another plan: at once when stopped, and heard; else from the next chorus on."""
        if self.position:
            if plan.follow and (plan.tune, plan.key) == (self.plan.tune, self.plan.key):
                self.plan = plan  # the same but for where its last bar leads
            else:
                self._waiting_plan = plan
            self.change(at, self.position)
            return
        same = plan.tune == self.plan.tune
        if not same:
            self.company.led.forget_place()
        was, now = self.plan.feel, plan.feel
        other_sounds = (now.programs, now.volumes) != (was.programs, was.volumes)
        self.plan, self._waiting_plan, self.wanted_key = plan, None, plan.key
        self.mbpm = self.full_mbpm = plan.mbpm
        self.company.paced(self.frozen_until(at))
        begins = self.programme.arrived(plan)
        if other_sounds:
            self._out += setup_messages(plan, at)
        start = self.frozen_until(at)
        self._queue.revoke(start)
        over = preview(plan, self.mbpm, start, self._queue, self.lamps)
        self.company.idle()
        self._idle_at = over + IDLE_NS
        # (The same in another key may have been asked for just before a routine's step was over.)
        goes_on = begins or (same and self._start_at is not None)
        self._start_at = over if goes_on else None


def _earliest(one: int | None, other: int | None, third: int | None) -> int | None:
    """The earliest of three times. Asked for at every step, so without a list."""
    if one is None or (other is not None and other < one):
        one = other
    if one is None or (third is not None and third < one):
        one = third
    return one
