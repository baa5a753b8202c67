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

What it remembers is one frozen value (`state`); what a gesture or a command does to that is in the
action table, what a beat becomes in the rules of `next_beat`. Here is what carries it out: `_do` an
action's Move, `_grant` what another machine's clock wishes, and let time pass.
"""

from ..events import (
    ClockIn,
    Command,
    CommandDone,
    EdgeHeard,
    FaultsKnown,
    GestureDone,
    Input,
    Loaded,
    Output,
    PlanWanted,
    Press,
    Release,
    Result,
    Send,
    Stopped,
    TemposKnown,
)
from ..music.beat import Band
from ..music.plan import Plan
from ..music.timeline import Timeline
from . import actions, cues, practice, setlist
from .action_table import ACTIONS, COMMANDS, NOTHING
from .entry import Entry
from .foot_map import ONE_SWITCH, FootMap
from .form_position import FULL_PACE, FormPosition
from .gestures import Foot, Gesture
from .lamp_patterns import IDLE_NS, press_answer
from .next_beat import next_beat
from .note_queue import LEAD_NS, quiet_controllers
from .outcome import Move, Outcome, Refusal, Start, put_back
from .player import Player, steered_from
from .practice_events import PracticeEvents
from .preview import preview
from .report import Report, beat_began, report_of
from .settings import SessionSettings
from .state import STOPPED, State
from .sync.clock_in import FollowedClock, Halt, Join, Lean, Steer, Wish
from .sync.partners import Partners
from .synth_setup import setup_messages


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
        usual = settings or SessionSettings()
        settings, a_set = setlist.held(usual, entries)
        band = Band(seed, usual.strict, usual.parts, usual.swing)
        self._state = State(plan, settings, band, a_set, plan.key, plan.mbpm, plan.mbpm, now)
        self._footmap = footmap
        self._foot = Foot()
        self._player = Player()
        self._queue, self._lamps = self._player.queue, self._player.lamps
        self._partners = Partners(self._state)
        self._practice_events = PracticeEvents()
        self._now = now
        self._idle_at = now  # when the next blip of readiness is due
        # When this beat is over, of which position and timeline.
        self._over_of: tuple[FormPosition | None, Timeline | None, int] = (None, None, 0)
        self._out: list[Output] = [*setup_messages(plan, now)]

    # ---- the interface ----------------------------------------------------------------

    @property
    def state(self) -> State:
        """All that it remembers, as of now."""
        return self._state._replace(now=self._now, follows=self._partners.followed.leads)

    @property
    def now(self) -> int:
        """What was due until here is out and final, in ns."""
        return self._now

    @property
    def plan(self) -> Plan:
        """What is played, or would be."""
        return self._state.plan

    @property
    def position(self) -> FormPosition | None:
        """The beat that sounds; None if the band is stopped."""
        return self._state.position

    @property
    def report(self) -> Report:
        """Where the band is now, in words."""
        return report_of(self._state)

    @property
    def followed(self) -> FollowedClock:
        """Another machine's clock, as it is heard."""
        return self._partners.followed

    @property
    def waits(self) -> str | None:
        """What comes when this has stopped, or with its next chorus: a tune and its key."""
        waits = self._state.waiting_plan
        return f"{waits.tune.name} in {waits.key}" if waits else None

    def handle(self, event: Input) -> None:
        """Take an input. Its `at` must not lie before that of an earlier input."""
        at = event.at
        self._advance(at)
        if isinstance(event, ClockIn):  # there are many: they must not cost much
            for message in self._partners.followed.messages(event.data):
                state = self.state
                self._grant(at, self._partners.followed.hear(at, message, state, self._player.coming(state)))
            self._tell_followers(at)
            return
        self.prepare(at)
        match event:
            case Press() | Release():
                down = isinstance(event, Press)
                self._emit(EdgeHeard(at, event.switch, down))
                for gesture in self._foot.edge(at, event.switch, down):
                    self._gesture(gesture)
            case Command():
                self._command(event)
            case Loaded(plan=Plan() as plan):
                self._load(plan, at)
            case TemposKnown():
                self._state = practice.know(self._state, event)
            case FaultsKnown():
                self._lamps.set_faults(event.kinds)
                self._partners.shown()
        self._tell_followers(at)

    def take(self, now: int) -> list[Output]:
        """Everything due up to and including `now`, in wire order; final once taken."""
        self._advance(now)
        out, self._out = self._out, []
        return out

    def take_ready(self, now: int) -> list[Output]:
        """What `take` would begin with: the sends due before the lamps or the Session itself do a thing.

        On a beat the notes have long been ready, and the rest takes several times as long as they do.
        """
        first = _earliest(self._next_event(), self._lamps.next_change(), now) or now
        self._now = max(self._now, min(first, now))
        out, self._out = self._out + self._queue.pop(min(first, now)), []
        return out

    def prepare(self, now: int) -> None:
        """Compose ahead. Called after sending, when there is time."""
        self._player.prepare(self._state)

    def deadline(self) -> int | None:
        """When `take` next has something to do."""
        return _earliest(self._next_event(), self._queue.next_due(), self._lamps.next_change())

    def sync_deadline(self) -> int | None:
        """When `take` next has something for others who play along. Nobody spins for that."""
        return self._partners.next_due()

    def silence(self, now: int) -> list[Output]:
        """End everything and forget what was queued; the Session is stopped."""
        self._advance(now)
        if self._state.position:
            self._stopped(now)
            self._tell_followers(now)
        self._out += self._queue.silenced(now)
        return self.take(now)

    def setup(self, now: int) -> list[Send]:
        """Silence, programs and volumes, for a port that has just come (back)."""
        return quiet_controllers(now) + setup_messages(self._state.plan, now)

    # ---- what is asked ----------------------------------------------------------------

    def _gesture(self, gesture: Gesture) -> None:
        """A foot has spoken."""
        at, switch, kind = gesture
        state = self.state
        where = state.mode
        if kind == "tap":
            state = state._replace(tapped_in={**state.tapped_in, switch: where})
        elif state.position and (tapped := state.tapped_in.get(switch, STOPPED)) != STOPPED:
            where = tapped  # a phrase may have ended, and a drill begun, under the foot
        name = self._footmap.get((where, switch, kind), NOTHING)
        done = GestureDone(at, switch, kind, name)
        undo = state.undo.get(switch)
        self._state = state._replace(undo={key: one for key, one in state.undo.items() if key != switch})
        if kind != "tap" and undo:
            self._do(at, put_back(self.state, undo, at))
            self._lamps.unwink(at)
            done = done._replace(withdrew=True)
        before = self._state.position
        outcome: Outcome = Refusal("deaf until beat 3")
        if name == NOTHING or not self._state.deaf or kind == "hold":
            outcome = ACTIONS[name].run(self.state, at, None)
        if reason := self._carried_out(at, outcome):
            self._emit(done._replace(action="ignored", reason=reason))
            return
        self._emit(done)
        if isinstance(outcome, Move) and outcome.undo:
            self._state = self._state._replace(undo={**self._state.undo, switch: outcome.undo})
        if answer := press_answer(self._state, name, before, at):
            self._lamps.wink(answer.start, answer.end, answer.lamp, answer.kind)

    def _command(self, command: Command) -> None:
        """Something was asked for by other means than the foot."""
        at, name, value, number = command
        outcome: Outcome = Refusal("unknown command")
        if name in COMMANDS:
            outcome = ACTIONS[name].run(self.state, at, value)
        self._emit(CommandDone(at, name, value, self._carried_out(at, outcome), number))

    def _carried_out(self, at: int, outcome: Outcome) -> str | None:
        """Carry an outcome out; the reason, if there is nothing to carry out."""
        if isinstance(outcome, Move):
            self._do(at, outcome)
            return None
        if outcome.state:
            self._state = outcome.state
        return outcome.reason

    # ---- what is done -----------------------------------------------------------------

    def _do(self, at: int, move: Move) -> None:
        """Make a Move true."""
        before, self._state = self._state, move.state
        if move.halt:
            self._halt(at)
        if move.start:
            self._start(move.start)
        elif move.full_mbpm is not None:
            self._retime(at, move.full_mbpm, move.cut)
        elif self._state.position is not before.position or self._state.band is not before.band:
            self._change(at, move.cut)
        if move.wanted:
            self._emit(move.wanted)

    def _change(self, at: int, cut: int | None = None) -> None:
        """Where the band plays, what is unsent is composed anew."""
        if self._state.position:
            self._player.change(self.state, at, cut)

    def _halt(self, at: int) -> None:
        """Silence at once; ready again."""
        after = self.state.frozen_until(at)
        self._queue.revoke(after, beats_after=at)
        self._queue.silence(after)
        self._stopped(at, after + 1)

    def _start(self, start: Start) -> None:
        """Play. Stopped until now."""
        at, mbpm, position = start
        plan, pace = self._state.plan, position.pace
        if led := self._partners.followed.aligned(at, position, plan):
            (at, mbpm), pace = led, FULL_PACE
        self._begin(Timeline(position.tick, at, mbpm * pace // FULL_PACE, plan.feel.ticks), mbpm, position)
        if position.stomped:  # the press that starts the music is its first beat
            self._emit(beat_began(self._now, plan, position))

    def _join(self, at: int, join: Join) -> None:
        """Play at once: `at` is now. What sounds then does as soon as it may."""
        position, inner, mbpm, song = join
        plan, ticks = self._state.plan, self._state.plan.feel.ticks
        while inner >= ticks:  # a clock may have been beats ahead of the band
            there = next_beat(plan, position)
            position, inner = (there, inner - ticks) if there else (position, ticks - 1)
        tick = position.tick + inner
        self._begin(Timeline(tick, at, mbpm, ticks), mbpm, position, tick, song)
        self._emit(beat_began(at, plan, position))

    def _begin(
        self,
        timeline: Timeline,
        mbpm: int,
        position: FormPosition,
        begins: int | None = None,
        song: int = 0,
    ) -> None:
        self._state = self._state._replace(
            full_mbpm=mbpm, timeline=timeline, position=position, start_at=None
        )
        state = self.state
        self._player.begin(state, begins)
        self._partners.started(state, begins, song, state.frozen_until(self._now))

    def _retime(self, at: int, mbpm: int, cut: int | None) -> None:
        """Another full tempo from now on; while another machine leads, from the next start on."""
        if self._partners.followed.leads:
            return
        self._state = self._state._replace(full_mbpm=mbpm)
        state = self.state
        after = state.frozen_until(at)
        if state.position and state.timeline:
            self._turn(state.timeline.retimed(after, mbpm * state.position.pace // FULL_PACE), after)
            self._change(at, cut)
        else:
            self._partners.paced(after, state)

    def _turn(self, timeline: Timeline, after: int) -> None:
        self._state = self._state._replace(timeline=timeline)
        self._queue.retime(timeline, after)
        self._partners.moved(self.state, timeline, after)

    def _grant(self, at: int, wishes: list[Wish]) -> None:
        """Carry out what another machine's clock wishes."""
        for wish in wishes:
            state = self.state
            match wish:
                case Halt():
                    self._halt(at)
                case Join():
                    self._join(at, wish)
                case Steer(mbpm=mbpm) if state.timeline:
                    after = state.frozen_until(at)
                    tick = steered_from(state, after)
                    self._state = self._state._replace(full_mbpm=mbpm)
                    self._turn(state.timeline.turned(tick, mbpm), after)
                    self._player.steered(self._state, tick)
                case Lean(mbpm=mbpm) if state.timeline:
                    after = state.frozen_until(at)
                    self._state = self._state._replace(full_mbpm=mbpm)
                    self._turn(state.timeline.retimed(after + LEAD_NS, mbpm), after)
                    self._change(at)
                case _ if isinstance(wish, Result):
                    self._emit(wish)

    def _stopped(self, at: int, silent: int | None = None) -> None:
        """The band has stopped; nothing more is due later than `silent`, if that is not at once."""
        self._state = self._state._replace(
            position=None, timeline=None, deaf=False, undo={}, waited=False, rest_until=0
        )
        self._player.forget()
        self._lamps.drop_after(at)
        self._emit(Stopped(at))
        self._idle_at = at + IDLE_NS
        self._grant(at, self._partners.stopped(at if silent is None else silent, self.state))
        if self._state.waiting_plan:
            self._load(self._state.waiting_plan, at)

    def _load(self, plan: Plan, at: int) -> None:
        """Another plan: at once when stopped, and heard; else from the next chorus on."""
        state = self.state
        if state.position:
            if plan.follow and (plan.tune, plan.key) == (state.plan.tune, state.plan.key):
                self._state = state._replace(plan=plan)  # the same but for where its last bar leads
            else:
                self._state = state._replace(waiting_plan=plan)
            self._change(at)
            return
        same = plan.tune == state.plan.tune
        if not same:
            self._partners.followed.forget_place()
        was, now = state.plan.feel, plan.feel
        other_sounds = (now.programs, now.volumes) != (was.programs, was.volumes)
        state = state._replace(
            plan=plan, waiting_plan=None, wanted_key=plan.key, mbpm=plan.mbpm, full_mbpm=plan.mbpm
        )
        start = state.frozen_until(at)
        self._partners.paced(start, state)
        state, begins = setlist.arrived(state, plan)
        if other_sounds:
            self._out += setup_messages(plan, at)
        self._queue.revoke(start)
        over = preview(plan, state.mbpm, start, self._queue, self._lamps)
        self._partners.shown()
        self._idle_at = over + IDLE_NS
        # (The same in another key may have been asked for just before a routine's step was over.)
        goes_on = begins or (same and state.start_at is not None)
        self._state = state._replace(start_at=over if goes_on else None)

    def _emit(self, output: Result | PlanWanted) -> None:
        """Put out something that is due at once."""
        self._out.append(output)
        if isinstance(output, Result):
            self._partners.noticed(output)

    def _tell_followers(self, at: int) -> None:
        """All that belongs to this moment has happened: say so, if there is something to say."""
        if self._partners.is_stale:
            self.prepare(at)
            state = self.state
            if message := self._partners.said(at, state, self._lamps, self._player.coming(state)):
                self._out.append(message)

    # ---- time -------------------------------------------------------------------------

    def _next_event(self) -> int | None:
        """When the Session next changes by itself."""
        state = self._state
        own: int | None = self._idle_at
        position, timeline = state.position, state.timeline
        if position and timeline:
            if self._over_of[0] is not position or self._over_of[1] is not timeline:
                self._over_of = (position, timeline, timeline.at(position.tick + state.plan.feel.ticks))
            own = self._over_of[2] if self._player.composed else self._over_of[2] - LEAD_NS
        own = _earliest(own, self._partners.deadline(), None)
        decided = actions.stomp_decided_at(state) if state.stomps else None
        return _earliest(self._foot.deadline(), decided, own)

    def _advance(self, now: int) -> None:
        while (time := self._next_event()) is not None and time <= now:
            self._flush(time, time - 1)  # partners last: an event may stop what others get with it
            self._event(time)
        self._flush(now, now)
        self._now = max(self._now, now)

    def _event(self, time: int) -> None:
        self._now = max(self._now, time)
        state, partners = self._state, self._partners
        if (due := self._foot.deadline()) is not None and due <= time:
            self.prepare(time)
            for gesture in self._foot.advance(time):
                self._gesture(gesture)
        elif state.stomps and (due := actions.stomp_decided_at(state)) is not None and due <= time:
            self._carried_out(time, actions.stomp_decided(self.state, time))
        elif (due := partners.deadline()) is not None and due <= time:
            self._serve_partners(time)
        elif not state.position and state.start_at is not None and state.start_at <= time:
            self._state = state._replace(start_at=None)
            self._command(Command(state.start_at, "start"))
        elif not state.position:
            self._idle_at = self._lamps.idle(self._idle_at)
            partners.shown()
        elif not self._player.composed:
            self._player.compose_next(state, -1)
        else:
            self._next_beat()
        self._tell_followers(time)

    def _serve_partners(self, time: int) -> None:
        """A clock has dropped out, or it is time to tell followers of the coming beat."""
        wishes = self._partners.dropped_out(time, self.state)
        if wishes is not None:
            self._grant(time, wishes)
            return
        self.prepare(time)
        state = self.state
        if message := self._partners.ahead(time, state, self._lamps, self._player.coming(state)):
            self._out.append(message)

    def _flush(self, until: int, partners: int) -> None:
        sends = self._queue.pop(until)
        lights = self._lamps.show(until)
        due = sends + lights + self._partners.pop(partners)  # what is due together leaves in this order
        self._out += sorted(due, key=lambda output: output.due) if len(due) > len(sends) else sends

    def _next_beat(self) -> None:
        """The beat is over."""
        state, there = self._state, self._player.next
        before, timeline = state.position, state.timeline
        assert before and timeline
        due = timeline.at(before.tick + state.plan.feel.ticks)
        for entry in self._practice_events.entries(state.plan, before, there, due, timeline.mbpm):
            self._emit(entry)
        if there is None:
            self._stopped(due)
            if move := setlist.finished(self.state, due):
                self._do(due, move)
            return
        if plan := self._player.next_plan:
            later = None if state.waiting_plan is plan else state.waiting_plan  # too late for this chorus
            state = state._replace(plan=plan, waiting_plan=later, wanted_key=plan.key)
        self._player.began()
        self._state = state._replace(position=there)
        if there.pace != before.pace and not self._partners.followed.leads:
            self._change_pace(there, timeline)
        state = cues.line_passed(self._state, before)
        if state.deaf and there.chorus == 1 and there.beat >= min(3, state.plan.feel.beats):
            state = state._replace(deaf=False)
        self._state = state
        if wanted := setlist.chorus_began(state, self._now):
            self._emit(wanted)
        self._partners.beat(state, self._now)

    def _change_pace(self, position: FormPosition, timeline: Timeline) -> None:
        """From this beat on at another share of the tempo: it was composed at the old one."""
        at, mbpm = timeline.at(position.tick), self._state.full_mbpm * position.pace // FULL_PACE
        self._turn(timeline.turned(position.tick, mbpm), at)
        self._player.paced(self._state, at)


def _earliest(one: int | None, other: int | None, third: int | None) -> int | None:
    """The earliest of three times. Asked for at every step, so without a list."""
    if one is None or (other is not None and other < one):
        one = other
    if one is None or (third is not None and third < one):
        one = third
    return one
