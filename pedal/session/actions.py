"""Starting and stopping: what a count-in, stomped or asked for, comes to."""

from itertools import pairwise
from statistics import median

from ..events import NS_PER_MS, Value
from ..music.timeline import FASTEST, SLOWEST, mbpm_of
from . import practice
from .form_position import FULL_PACE, FormPosition, count_in, stomped_in
from .outcome import Move, Outcome, Refusal, Start
from .state import State, Undo

LONE_TAP_NS = 1_800 * NS_PER_MS
START_NS = 25 * NS_PER_MS  # from "go" to the first stick: more than the freeze
UNEVEN = 0.25  # share of the median by which a stomped interval may stray


def stomp(state: State, at: int, _: Value = None) -> Outcome:
    """A tap of a count-in; as many as a bar has beats set the tempo."""
    plan, settings, stomps = state.plan, state.settings, (*state.stomps, at)
    forgotten = state._replace(stomps=())
    intervals = [later - sooner for sooner, later in pairwise(stomps)]
    if len(intervals) > 1 and any(
        abs(interval - median(intervals)) > UNEVEN * median(intervals) for interval in intervals
    ):
        return Refusal("uneven count", forgotten)
    counted = state._replace(stomps=stomps)
    if len(stomps) < plan.feel.beats:
        return Move(counted, undo=Undo((("stomps", ()),)))
    if settings.mode == "drill":
        drilled = drill(counted, at)  # at its own tempo
        return drilled._replace(state=counted) if isinstance(drilled, Refusal) else drilled
    mbpm = mbpm_of((stomps[-1] - stomps[0]) // (plan.feel.beats - 1))
    if not SLOWEST * 1000 <= mbpm <= FASTEST * 1000:
        return Refusal("count too slow or too fast", forgotten)
    # The foot was the count: this tap is its last beat, and the band enters one beat on.
    return _go(forgotten, at, mbpm, stomped_in(plan, settings.mode, settings.step))


def stomp_decided_at(state: State) -> int | None:
    """When a stomped count that has stopped growing is decided; None if nothing is being stomped."""
    stomps = state.stomps
    if not stomps:
        return None
    if len(stomps) > 1:
        beat = (stomps[-1] - stomps[0]) // (len(stomps) - 1)
    else:
        beat = 60 * 10**12 // state.mbpm
    return stomps[-1] + min(beat * 3 // 2, LONE_TAP_NS)


def stomp_decided(state: State, at: int) -> Outcome:
    """The count has not gone on: one tap alone counts in, a broken count is void."""
    alone, state = len(state.stomps) == 1, state._replace(stomps=())
    if not alone:
        return Move(state)
    outcome = start(state, at)
    return outcome._replace(state=state) if isinstance(outcome, Refusal) else outcome


def start(state: State, at: int, _: Value = None) -> Outcome:
    """Count in at the written tempo."""
    if state.position:
        return Refusal("already playing")
    if state.settings.mode == "drill":
        return drill(state, at)
    settings = state.settings
    first = count_in(state.plan, settings.mode, settings.step, state.mbpm)
    return _go(state, max(at, state.now) + START_NS, state.mbpm, first)


def drill(state: State, at: int, _: Value = None) -> Outcome:
    """Count in to a drill of the flagged changes, else of all, the hardest first."""
    if state.position:
        return Refusal("already playing")
    first = practice.first_position(state)
    if not first:
        return Refusal("this form has no change")
    return _go(state, max(at, state.now) + START_NS, state.mbpm, first)


def _go(state: State, at: int, mbpm: int, first: FormPosition) -> Move:
    settings, entry = state.settings, state.setlist.entry
    choruses = (entry and entry.choruses) or state.plan.tune.choruses
    choruses = choruses if first.mode == "through" else 0
    ceiling = max(FULL_PACE, round(settings.ceiling_mbpm * FULL_PACE / mbpm))
    first = first._replace(last=choruses, guide=settings.guide, ramp=settings.ramp, ceiling=ceiling)
    setlist = state.setlist._replace(begins=False)  # what the player has started, no step starts over
    return Move(state._replace(stomps=(), deaf=True, setlist=setlist), start=Start(at, mbpm, first))


def stop(state: State, at: int, _: Value = None) -> Outcome:
    """Silence at once; a routine's next step that was about to begin does not."""
    if state.position:
        return Move(state, halt=True)
    if state.start_at is not None:
        return Move(state._replace(start_at=None))
    return Refusal("already stopped")
