"""What the band is about to play: beats composed ahead and queued, and lamps foreseen.

It knows neither foot nor clock and decides nothing: it is handed a State and makes it heard. What may
still be taken back is taken back and composed anew when the State has changed.
"""

from ..music.arrange import compose
from ..music.plan import Plan
from ..music.timeline import Timeline
from .beat_context import look
from .form_position import FormPosition
from .lamp_patterns import beat_spans
from .lamp_scheduler import LampScheduler
from .next_beat import carried, next_beat
from .note_queue import LEAD_NS, NoteQueue
from .report import beat_began
from .state import State


class Player:
    """Composes beat after beat into a queue of notes and onto the lamps."""

    def __init__(self) -> None:
        self.queue = NoteQueue()
        self.lamps = LampScheduler()
        self.composed = False
        """Whether the beat after the State's own is composed."""
        self.next: FormPosition | None = None
        self.next_plan: Plan | None = None
        """The plan that begins with it, if that is another."""

    def coming(self, state: State) -> FormPosition | None:
        """The beat after this one, as it looks now."""
        if state.position is None:
            return None
        return self.next if self.composed else next_beat(state.plan, state.position)

    def forget(self) -> None:
        """The band has stopped."""
        self.next, self.composed = None, False

    def began(self) -> None:
        """The composed beat is the State's own now."""
        self.composed, self.next_plan = False, None

    # ---- what has changed -------------------------------------------------------------------

    def begin(self, state: State, begins: int | None) -> None:
        """Play from the State's position; with `begins`, from that tick of it, as soon as one can."""
        self.queue.timeline = state.timeline
        self.lamps.drop_after(state.now)
        self.composed = False
        after = state.frozen_until(state.now)
        self.queue.revoke(after)  # a new tonic chord that has not sounded yet
        self._compose(state, _here(state), after, state.plan, begins)

    def change(self, state: State, at: int, cut: int | None = None) -> None:
        """Go on from a changed beat: take back what is unsent and compose it anew.

        `cut` is a tick after which no chord or bass note that has begun sounds on.
        """
        after = state.frozen_until(at)
        self.queue.revoke(after)
        if cut is not None:
            self.queue.clip(cut)
        self._compose(state, _here(state), after, state.plan)
        if self.composed:
            self.compose_next(state, after)

    def steered(self, state: State, tick: int) -> None:
        """The tempo is another from `tick` on; if that is the coming beat, it is composed anew."""
        if tick == _here(state).tick + state.plan.feel.ticks:
            self.queue.revoke_from(tick)
            self.composed = False

    def paced(self, state: State, at: int) -> None:
        """The State's beat, which begins at `at`, goes at another pace than it was composed at."""
        self.queue.revoke(at)
        self._compose(state, _here(state), at, state.plan)

    # ---- composing --------------------------------------------------------------------------

    def prepare(self, state: State) -> None:
        """Compose ahead, if that is still to be done."""
        if state.position and not self.composed:
            self.compose_next(state, -1)

    def compose_next(self, state: State, after: int) -> None:
        """Compose the beat after the State's own: what is due later than `after`."""
        here, timeline = _here(state), _timeline(state)
        there, frozen = next_beat(state.plan, here), self.next if self.composed else None
        decided = frozen is not None and timeline.at(frozen.tick) <= after
        if frozen and there and decided:
            there = carried(frozen, there, here)
        self.next, self.composed = there, True
        if there:
            if not decided:
                self.next_plan = _beginning(state, there)
            self._compose(state, there, after, self.next_plan or state.plan)

    def _compose(
        self, state: State, position: FormPosition, after: int, plan: Plan, begins: int | None = None
    ) -> None:
        """Queue one beat: notes and its beginning, due later than `after`, and what the lamps show.

        `begins` is a tick in it with which the music begins, sooner than `after`: that is made up for.
        """
        timeline, band = _timeline(state), state.band
        bpm = timeline.mbpm_at(position.tick) / 1000  # a beat keeps its swing, whatever comes
        notes = compose(plan, look(plan, position), band, bpm)
        if position.before:
            # A late cue: the old chord until then, the drums as they were.
            late = position.tick + position.late
            old = compose(plan, look(plan, position.before), band, bpm)
            notes = [note for note in notes if note.part != "drums"]
            notes += [note for note in old if note.part == "drums"]
            notes += [
                note._replace(end=min(note.end, late))
                for note in old
                if note.part != "drums" and note.tick < late
            ]
            self._begins(timeline, position.before, position.tick, after, plan)
        self.queue.notes(notes, (position.chorus, position.bar, position.beat), after, begins)
        self._begins(timeline, position, position.tick + position.late, after, plan)
        self.lamps.put(position.tick, beat_spans(plan, position, timeline, state.settings.latency_ns))

    def _begins(self, timeline: Timeline, position: FormPosition, tick: int, after: int, plan: Plan) -> None:
        self.queue.beat(beat_began(timeline.at(tick), plan, position), tick, after)


def steered_from(state: State, after: int) -> int:
    """The tick of the next beat that another tempo can still begin with."""
    ticks = state.plan.feel.ticks
    tick = _here(state).tick + ticks
    return tick + ticks if _timeline(state).at(tick) <= after + LEAD_NS else tick


def _beginning(state: State, there: FormPosition) -> Plan | None:
    """The plan that begins with the coming beat: a waiting one, or the one this chorus leads to, at the top.

    Only the same tune in another key comes in while playing; another tune waits for the stop.
    """
    waits = state.waiting_plan or state.plan.follow
    begins = there.chorus > _here(state).chorus
    return waits if waits and begins and waits.tune == state.plan.tune else None


def _here(state: State) -> FormPosition:
    assert state.position, "the band is stopped"
    return state.position


def _timeline(state: State) -> Timeline:
    assert state.timeline, "the band is stopped"
    return state.timeline
