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

States: `stopped` (stomped taps are gathered here), then a walk: count-in, form, ending. What a
gesture means in a state is in `footmap`; what follows a beat is in `walk`.
"""

from ..events import (
    NS_PER_MS,
    ClockIn,
    Command,
    Input,
    Loaded,
    Mark,
    Output,
    PlanWanted,
    Press,
    Release,
    Send,
)
from ..score.arrange import compose
from ..score.beat import Band
from ..score.plan import Plan
from .actions import Actions
from .clock_in import EARLIEST_NS
from .company import Company
from .diary import Diary
from .footmap import ONE_SWITCH, FootMap
from .gestures import Foot
from .lamps import IDLE_NS, Panel, beat_spans
from .look import look
from .midi import setup_messages
from .position import Position, describe, position_of
from .programme import Entry, Programme, preview
from .settings import SessionSettings
from .timeline import Timeline
from .walk import FULL_PACE, Walk, carried, onward
from .wire import Wire, quiet_controllers

FREEZE_NS = 20 * NS_PER_MS
COMPOSE_NS = 16 * NS_PER_MS  # before a beat, at the latest: its earliest note may be 15 ms early


class Session:
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
        self.plan = plan
        self.wanted_key = plan.key
        self.settings = settings or SessionSettings()
        self.band = Band(seed, self.settings.strict, self.settings.parts, self.settings.swing)
        self.mbpm = self.full_mbpm = plan.mbpm
        self.timeline: Timeline | None = None
        self.walk: Walk | None = None
        self.panel = Panel()
        self.now = now
        self._next: Walk | None = None
        self._composed_next = False
        self._next_plan = plan
        self._over_of: tuple[Walk | None, Timeline | None, int] = (None, None, 0)  # when this beat is over
        self._waiting_plan: Plan | None = None
        self._wire = Wire()
        self._foot = Foot()
        self.programme = Programme(self, entries)
        self._actions = Actions(self, footmap)
        self._diary = Diary()
        self._out: list[Output] = [*setup_messages(plan, now)]
        self._start_at: int | None = None  # when a routine's next step begins by itself
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
                self.emit(Mark(at, "press", {"switch": event.switch, "down": down}))
                for gesture in self._foot.edge(at, event.switch, down):
                    self._actions.gesture(gesture)
            case Command():
                self._actions.command(event)
            case Loaded():
                self._load(event.plan, at)
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
        first = _earliest(self._next_event(), self.panel.next_change(), now) or now
        self.now = max(self.now, min(first, now))
        out, self._out = self._out + self._wire.pop(min(first, now)), []
        return out

    def prepare(self, now: int) -> None:
        """Compose ahead. Called after sending, when there is time."""
        if self.walk and not self._composed_next:
            self._compose_next(-1)

    def deadline(self) -> int | None:
        """When `take` next has something to do."""
        return _earliest(self._next_event(), self._wire.next_due(), self.panel.next_change())

    def sync_deadline(self) -> int | None:
        """When `take` next has something for others who play along. Nobody spins for that."""
        return self.company.next_due()

    def silence(self, now: int) -> list[Output]:
        """End everything and forget what was queued; the Session is stopped."""
        self._advance(now)
        if self.walk:
            self._stopped(now)
            self.company.told(now)
        self._out += self._wire.silenced(now)
        return self.take(now)

    def setup(self, now: int) -> list[Send]:
        """Silence, programs and volumes, for a port that has just come (back)."""
        return quiet_controllers(now) + setup_messages(self.plan, now)

    @property
    def position(self) -> Position:
        """Where the band is now."""
        return position_of(self.plan, self.walk, self.timeline.mbpm if self.timeline else self.mbpm)

    # ---- for the actions --------------------------------------------------------------

    def start(self, at: int, mbpm: int, walk: Walk) -> None:
        """Play from `walk`, whose beat falls at `at`; `mbpm` is the full tempo. Stopped until now."""
        pace = walk.pace
        if led := self.company.aligned(at, walk):
            (at, mbpm), pace = led, FULL_PACE
        self._begin(Timeline(walk.tick, at, mbpm * pace // FULL_PACE, self.plan.feel.ticks), mbpm, walk)
        if walk.stomped:  # the press that starts the music is its first beat
            self.emit(Mark(self.now, "position", describe(self.plan, walk)))

    def join(self, at: int, inner: int, mbpm: int, walk: Walk) -> None:
        """Play at once: `at` is now, `inner` ticks into `walk`. What sounds then does as soon as it may."""
        ticks = self.plan.feel.ticks
        while inner >= ticks:  # a clock may have been beats ahead of the band
            there = onward(self.plan, walk)
            walk, inner = (there, inner - ticks) if there else (walk, ticks - 1)
        tick = walk.tick + inner
        self._begin(Timeline(tick, at, mbpm, ticks), mbpm, walk, tick)
        self.emit(Mark(at, "position", describe(self.plan, walk)))

    def _begin(self, timeline: Timeline, mbpm: int, walk: Walk, begins: int | None = None) -> None:
        self.full_mbpm = mbpm
        self.timeline = self._wire.timeline = timeline
        self.panel.drop_after(self.now)
        self._start_at = None
        self.walk, self._composed_next = walk, False
        after = self.frozen_until(self.now)
        self._wire.revoke(after)  # a new tonic chord that has not sounded yet
        self._compose(walk, after, self.plan, begins)
        self.company.started(timeline, walk, begins, after)

    def halt(self, at: int) -> None:
        """Silence at once; ready again."""
        after = self.frozen_until(at)
        self._wire.revoke(after, marks_after=at)
        self._wire.silence(after)
        self._stopped(at, after + 1)

    def change(self, at: int, walk: Walk, cut: int | None = None) -> None:
        """Go on from a changed beat: take back what is unsent and compose it anew.

        `cut` is a tick after which no chord or bass note that has begun sounds on.
        """
        assert self.timeline
        after = self.frozen_until(at)
        self.walk = walk
        self._wire.revoke(after)
        if cut is not None:
            self._wire.clip(cut)
        self._compose(walk, after, self.plan)
        if self._composed_next:
            self._compose_next(after)

    def retime(self, at: int, mbpm: int) -> None:
        """Another full tempo from now on; while another machine leads, from the next start on."""
        self.mbpm = mbpm
        if self.company.led.leads:
            return
        self.full_mbpm = mbpm
        if self.walk and self.timeline:
            after = self.frozen_until(at)
            self._turn(self.timeline.retimed(after, mbpm * self.walk.pace // FULL_PACE), after)
            self.change(at, self.walk)
        else:
            self.company.paced(self.frozen_until(at))

    def steer(self, at: int, mbpm: int) -> None:
        """Another tempo from the next beat on that can still be moved. The one that sounds stays as it is."""
        assert self.walk and self.timeline
        after, ticks = self.frozen_until(at), self.plan.feel.ticks
        tick = self.walk.tick + ticks
        if self.timeline.at(tick) <= after + EARLIEST_NS:
            tick += ticks
        self.full_mbpm = mbpm
        self._turn(self.timeline.turned(tick, mbpm), after)
        if tick == self.walk.tick + ticks:
            self._wire.revoke_from(tick)
            self._composed_next = False

    def lean(self, at: int, mbpm: int) -> None:
        """Another tempo within the beat, from where nothing that may have been sent is moved."""
        assert self.walk and self.timeline
        after = self.frozen_until(at)
        self.full_mbpm = mbpm
        self._turn(self.timeline.retimed(after + EARLIEST_NS, mbpm), after)
        self.change(at, self.walk)

    def _turn(self, timeline: Timeline, after: int) -> None:
        self.timeline = timeline
        self._wire.retime(timeline, after)
        self.company.moved(timeline, after)

    def next_walk(self) -> Walk | None:
        """The beat after this one, as it looks now."""
        self.prepare(self.now)
        return self._next if self.walk else None

    def first_of_drill(self) -> Walk | None:
        """The beginning of a drill's count-in; None if there is nothing to drill."""
        return self._actions._practice.first_walk()

    def frozen_until(self, at: int) -> int:
        """The last moment that an input at `at` leaves as it is."""
        return max(at + FREEZE_NS, self.now)

    @property
    def waiting_tune(self) -> str | None:
        """Another tune that waits for this one to stop."""
        waits = self._waiting_plan
        return waits.tune.name if waits and waits.tune != self.plan.tune else None

    def want(self, wanted: PlanWanted) -> None:
        """Ask for another plan."""
        self.emit(wanted)

    def emit(self, output: Output) -> None:
        """Put out something that is due at once."""
        self._out.append(output)
        if isinstance(output, Mark):
            self.company.noticed(output)

    # ---- time -------------------------------------------------------------------------

    def _next_event(self) -> int | None:
        """When the Session next changes by itself."""
        own, walk, timeline = self._idle_at, self.walk, self.timeline
        if walk and timeline:
            if self._over_of[0] is not walk or self._over_of[1] is not timeline:
                self._over_of = (walk, timeline, timeline.at(walk.tick + self.plan.feel.ticks))
            own = self._over_of[2] if self._composed_next else self._over_of[2] - COMPOSE_NS
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
        elif not self.walk and self._start_at is not None and self._start_at <= time:
            self._actions.command(Command(self._start_at, "start"))
        elif not self.walk:
            self._idle_at = self.panel.idle(self._idle_at)
            self.company.idle()
        elif not self._composed_next:
            self._compose_next(-1)
        else:
            self._next_beat()
        self.company.told(time)

    def _flush(self, until: int, company: int) -> None:
        sends = self._wire.pop(until)
        lights = self.panel.show(until)
        due = sends + lights + self.company.pop(company)  # what is due together leaves in this order
        self._out += sorted(due, key=lambda output: output.due) if len(due) > len(sends) else sends

    def _next_beat(self) -> None:
        assert self.walk and self.timeline
        if self._next is None:
            self._log(self.walk, None)
            over = self.timeline.at(self.walk.tick + self.plan.feel.ticks)
            self._stopped(over)
            self.programme.finished(over)
            return
        if self._next_plan is not self.plan:
            self.plan, self._waiting_plan = self._next_plan, None
            self.wanted_key = self.plan.key
        before, self.walk, self._composed_next = self.walk, self._next, False
        self._log(before, self.walk)
        if self.walk.pace != before.pace and not self.company.led.leads:
            self._change_pace(self.walk)
        self._actions.beat_began(before, self.walk)
        self.programme.beat_began(self.walk)
        self.company.beat()

    def _log(self, before: Walk, after: Walk | None) -> None:
        assert self.timeline
        due = self.timeline.at(before.tick + self.plan.feel.ticks)
        for entry in self._diary.entries(self.plan, before, after, due, self.timeline.mbpm):
            self.emit(entry)

    def _change_pace(self, walk: Walk) -> None:
        """From this beat on at another share of the tempo: it was composed at the old one."""
        assert self.timeline
        at = self.timeline.at(walk.tick)
        self._turn(self.timeline.turned(walk.tick, self.full_mbpm * walk.pace // FULL_PACE), at)
        self._wire.revoke(at)
        self._compose(walk, at, self.plan)

    def _stopped(self, at: int, silent: int | None = None) -> None:
        """The band has stopped; nothing more is due later than `silent`, if that is not at once."""
        self.walk = self.timeline = self._next = None
        self._composed_next = False
        self.panel.drop_after(at)
        self.emit(Mark(at, "stopped", {}))
        self._idle_at = at + IDLE_NS
        self._actions.stopped()
        self.company.stopped(at if silent is None else silent)
        if self._waiting_plan:
            self._load(self._waiting_plan, at)

    def _load(self, plan: Plan, at: int) -> None:
        """Another plan: at once when stopped, and heard; else from the next chorus on."""
        if self.walk:
            if plan.follow and (plan.tune, plan.key) == (self.plan.tune, self.plan.key):
                self.plan = plan  # the same but for where its last bar leads
            else:
                self._waiting_plan = plan
            self.change(at, self.walk)
            return
        was, now = self.plan.feel, plan.feel
        other_sounds = (now.programs, now.volumes) != (was.programs, was.volumes)
        self.plan, self._waiting_plan, self.wanted_key = plan, None, plan.key
        self.mbpm = self.full_mbpm = plan.mbpm
        self.company.paced(self.frozen_until(at))
        begins = self.programme.arrived(plan)
        if other_sounds:
            self._out += setup_messages(plan, at)
        start = self.frozen_until(at)
        self._wire.revoke(start)
        over = preview(plan, self.mbpm, start, self._wire, self.panel)
        self.company.idle()
        self._idle_at = over + IDLE_NS
        self._start_at = over if begins else None

    # ---- composing --------------------------------------------------------------------

    def _compose_next(self, after: int) -> None:
        assert self.walk and self.timeline
        there, frozen = onward(self.plan, self.walk), self._next if self._composed_next else None
        decided = frozen is not None and self.timeline.at(frozen.tick) <= after
        if frozen and there and decided:
            there = carried(frozen, there, self.walk)
        self._next, self._composed_next = there, True
        if self._next:
            if not decided:
                self._next_plan = self._plan_of(self._next)
            self._compose(self._next, after, self._next_plan)

    def _plan_of(self, there: Walk) -> Plan:
        """The plan of the coming beat: a waiting one, or the one this chorus leads to, at the top.

        Only the same tune in another key comes in while playing; another tune waits for the stop.
        """
        assert self.walk
        waits = self._waiting_plan or self.plan.follow
        begins = there.chorus > self.walk.chorus
        return waits if waits and begins and waits.tune == self.plan.tune else self.plan

    def _compose(self, walk: Walk, after: int, plan: Plan, begins: int | None = None) -> None:
        """Queue one beat: notes and marks due later than `after`, and what the lamps show.

        `begins` is a tick in it with which the music begins, sooner than `after`: that is made up for.
        """
        timeline = self.timeline
        assert timeline
        bpm = timeline.mbpm_at(walk.tick) / 1000  # a beat keeps its swing, whatever comes
        notes = compose(plan, look(plan, walk), self.band, bpm)
        if walk.before:
            # A late cue: the old chord until then, the drums as they were.
            late = walk.tick + walk.late
            old = compose(plan, look(plan, walk.before), self.band, bpm)
            notes = [note for note in notes if note.part != "drums"]
            notes += [note for note in old if note.part == "drums"]
            notes += [
                note._replace(end=min(note.end, late))
                for note in old
                if note.part != "drums" and note.tick < late
            ]
            self._mark(walk.before, walk.tick, after, plan)
        for note in notes:
            self._wire.note(note, (walk.chorus, walk.bar, walk.beat), after, begins)
        self._mark(walk, walk.tick + walk.late, after, plan)
        self.panel.put(walk.tick, beat_spans(plan, walk, timeline, self.settings.latency_ns))

    def _mark(self, walk: Walk, tick: int, after: int, plan: Plan) -> None:
        assert self.timeline
        mark = Mark(self.timeline.at(tick), "position", describe(plan, walk))
        self._wire.mark(mark, tick, after)


def _earliest(one: int | None, other: int | None, third: int | None) -> int | None:
    """The earliest of three times. Asked for at every step, so without a list."""
    if one is None or (other is not None and other < one):
        one = other
    if one is None or (third is not None and third < one):
        one = third
    return one
