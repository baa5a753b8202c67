"""The band on its timeline: which beat it plays, at which tempo, and what is queued of it.

The part of the Session that knows neither foot nor clock: a beat is composed ahead and queued, and
a change of place or tempo takes back what may still be taken back, and composes that anew.
"""

from ..events import NS_PER_MS, Output, Result
from ..music.arrange import compose
from ..music.beat import Band
from ..music.plan import Plan
from ..music.timeline import Timeline
from .beat_context import look
from .form_position import FULL_PACE, FormPosition, carried, next_beat
from .lamp_patterns import beat_spans
from .lamp_scheduler import LampScheduler
from .note_queue import EARLIEST_NS, NoteQueue
from .report import Report, beat_began, position_of
from .settings import SessionSettings
from .sync.partners import Company
from .synth_setup import setup_messages

FREEZE_NS = 20 * NS_PER_MS


class Player:
    """Plays beat after beat of a plan."""

    company: Company

    def __init__(self, plan: Plan, settings: SessionSettings, seed: int, now: int) -> None:
        self.plan = plan
        self.settings = settings
        self.band = Band(seed, settings.strict, settings.parts, settings.swing)
        self.mbpm = self.full_mbpm = plan.mbpm
        self.timeline: Timeline | None = None
        self.position: FormPosition | None = None
        self.lamps = LampScheduler()
        self.now = now
        self._next: FormPosition | None = None
        self._composed_next = False
        self._next_plan = plan
        self._waiting_plan: Plan | None = None
        self._queue = NoteQueue()
        self._out: list[Output] = [*setup_messages(plan, now)]
        self._start_at: int | None = None  # when a routine's next step begins by itself

    @property
    def report(self) -> Report:
        """Where the band is now."""
        return position_of(self.plan, self.position, self.timeline.mbpm if self.timeline else self.mbpm)

    def start(self, at: int, mbpm: int, position: FormPosition) -> None:
        """Play from `position`, whose beat falls at `at`; `mbpm` is the full tempo. Stopped until now."""
        pace = position.pace
        if led := self.company.aligned(at, position):
            (at, mbpm), pace = led, FULL_PACE
        self._begin(
            Timeline(position.tick, at, mbpm * pace // FULL_PACE, self.plan.feel.ticks), mbpm, position
        )
        if position.stomped:  # the press that starts the music is its first beat
            self.emit(beat_began(self.now, self.plan, position))

    def join(self, at: int, inner: int, mbpm: int, position: FormPosition) -> None:
        """Play at once: `at` is now, `inner` ticks into `position`. What sounds then does as soon as it may."""
        ticks = self.plan.feel.ticks
        while inner >= ticks:  # a clock may have been beats ahead of the band
            there = next_beat(self.plan, position)
            position, inner = (there, inner - ticks) if there else (position, ticks - 1)
        tick = position.tick + inner
        self._begin(Timeline(tick, at, mbpm, ticks), mbpm, position, tick)
        self.emit(beat_began(at, self.plan, position))

    def _begin(
        self, timeline: Timeline, mbpm: int, position: FormPosition, begins: int | None = None
    ) -> None:
        self.full_mbpm = mbpm
        self.timeline = self._queue.timeline = timeline
        self.lamps.drop_after(self.now)
        self._start_at = None
        self.position, self._composed_next = position, False
        after = self.frozen_until(self.now)
        self._queue.revoke(after)  # a new tonic chord that has not sounded yet
        self._compose(position, after, self.plan, begins)
        self.company.started(timeline, position, begins, after)

    def change(self, at: int, position: FormPosition, cut: int | None = None) -> None:
        """Go on from a changed beat: take back what is unsent and compose it anew.

        `cut` is a tick after which no chord or bass note that has begun sounds on.
        """
        assert self.timeline
        after = self.frozen_until(at)
        self.position = position
        self._queue.revoke(after)
        if cut is not None:
            self._queue.clip(cut)
        self._compose(position, after, self.plan)
        if self._composed_next:
            self._compose_next(after)

    # ---- tempo ------------------------------------------------------------------------

    def retime(self, at: int, mbpm: int) -> None:
        """Another full tempo from now on; while another machine leads, from the next start on."""
        self.mbpm = mbpm
        if self.company.led.leads:
            return
        self.full_mbpm = mbpm
        if self.position and self.timeline:
            after = self.frozen_until(at)
            self._turn(self.timeline.retimed(after, mbpm * self.position.pace // FULL_PACE), after)
            self.change(at, self.position)
        else:
            self.company.paced(self.frozen_until(at))

    def steer(self, at: int, mbpm: int) -> None:
        """Another tempo from the next beat on that can still be moved. The one that sounds stays as it is."""
        assert self.position and self.timeline
        after, ticks = self.frozen_until(at), self.plan.feel.ticks
        tick = self.position.tick + ticks
        if self.timeline.at(tick) <= after + EARLIEST_NS:
            tick += ticks
        self.full_mbpm = mbpm
        self._turn(self.timeline.turned(tick, mbpm), after)
        if tick == self.position.tick + ticks:
            self._queue.revoke_from(tick)
            self._composed_next = False

    def lean(self, at: int, mbpm: int) -> None:
        """Another tempo within the beat, from where nothing that may have been sent is moved."""
        assert self.position and self.timeline
        after = self.frozen_until(at)
        self.full_mbpm = mbpm
        self._turn(self.timeline.retimed(after + EARLIEST_NS, mbpm), after)
        self.change(at, self.position)

    def _change_pace(self, position: FormPosition) -> None:
        """From this beat on at another share of the tempo: it was composed at the old one."""
        assert self.timeline
        at = self.timeline.at(position.tick)
        self._turn(self.timeline.turned(position.tick, self.full_mbpm * position.pace // FULL_PACE), at)
        self._queue.revoke(at)
        self._compose(position, at, self.plan)

    def _turn(self, timeline: Timeline, after: int) -> None:
        self.timeline = timeline
        self._queue.retime(timeline, after)
        self.company.moved(timeline, after)

    # ---- composing --------------------------------------------------------------------

    def prepare(self, now: int) -> None:
        """Compose ahead. Called after sending, when there is time."""
        if self.position and not self._composed_next:
            self._compose_next(-1)

    def _compose_next(self, after: int) -> None:
        assert self.position and self.timeline
        there, frozen = next_beat(self.plan, self.position), self._next if self._composed_next else None
        decided = frozen is not None and self.timeline.at(frozen.tick) <= after
        if frozen and there and decided:
            there = carried(frozen, there, self.position)
        self._next, self._composed_next = there, True
        if self._next:
            if not decided:
                self._next_plan = self._plan_of(self._next)
            self._compose(self._next, after, self._next_plan)

    def _plan_of(self, there: FormPosition) -> Plan:
        """The plan of the coming beat: a waiting one, or the one this chorus leads to, at the top.

        Only the same tune in another key comes in while playing; another tune waits for the stop.
        """
        assert self.position
        waits = self._waiting_plan or self.plan.follow
        begins = there.chorus > self.position.chorus
        return waits if waits and begins and waits.tune == self.plan.tune else self.plan

    def _compose(self, position: FormPosition, after: int, plan: Plan, begins: int | None = None) -> None:
        """Queue one beat: notes and marks due later than `after`, and what the lamps show.

        `begins` is a tick in it with which the music begins, sooner than `after`: that is made up for.
        """
        timeline = self.timeline
        assert timeline
        bpm = timeline.mbpm_at(position.tick) / 1000  # a beat keeps its swing, whatever comes
        notes = compose(plan, look(plan, position), self.band, bpm)
        if position.before:
            # A late cue: the old chord until then, the drums as they were.
            late = position.tick + position.late
            old = compose(plan, look(plan, position.before), self.band, bpm)
            notes = [note for note in notes if note.part != "drums"]
            notes += [note for note in old if note.part == "drums"]
            notes += [
                note._replace(end=min(note.end, late))
                for note in old
                if note.part != "drums" and note.tick < late
            ]
            self._mark(position.before, position.tick, after, plan)
        self._queue.notes(notes, (position.chorus, position.bar, position.beat), after, begins)
        self._mark(position, position.tick + position.late, after, plan)
        self.lamps.put(position.tick, beat_spans(plan, position, timeline, self.settings.latency_ns))

    def _mark(self, position: FormPosition, tick: int, after: int, plan: Plan) -> None:
        assert self.timeline
        self._queue.mark(beat_began(self.timeline.at(tick), plan, position), tick, after)

    # ---- for others --------------------------------------------------------------------

    def next_position(self) -> FormPosition | None:
        """The beat after this one, as it looks now."""
        self.prepare(self.now)
        return self._next if self.position else None

    def frozen_until(self, at: int) -> int:
        """The last moment that an input at `at` leaves as it is."""
        return max(at + FREEZE_NS, self.now)

    def emit(self, output: Output) -> None:
        """Put out something that is due at once."""
        self._out.append(output)
        if isinstance(output, Result):
            self.company.noticed(output)
