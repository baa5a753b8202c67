"""What can be turned while it plays (or before): tempo, dynamics, who plays, the guide, the key."""

from dataclasses import replace
from itertools import pairwise

from ..events import NS_PER_S, PlanWanted, Value
from ..music.beat import PARTS
from ..music.pitch import Key
from ..music.timeline import FASTEST, SLOWEST, mbpm_of
from .beat_context import GUIDES
from .form_position import FULL_PACE, FormPosition, leave_drill
from .outcome import Move, Outcome, Refusal
from .settings import MODES
from .state import State, Undo

STEP = 1.05  # of the tempo: more than the just noticeable difference (see `drill`)
FOURTH = 5  # semitones
TAP_PATIENCE_NS = 2 * NS_PER_S
WHO: tuple[frozenset[str], ...] = (
    frozenset(PARTS),
    frozenset(("drums", "bass")),
    frozenset(("drums",)),
    frozenset(),
)


# ---- tempo ----------------------------------------------------------------------------------


def tempo(state: State, at: int, bpm: Value) -> Outcome:
    """Beats a minute from now on."""
    if isinstance(bpm, bool) or not isinstance(bpm, int | float) or not SLOWEST <= bpm <= FASTEST:
        return Refusal(f"tempo must be {SLOWEST} to {FASTEST} beats a minute")
    return _at_tempo(state, round(bpm * 1000))


def tempo_up(state: State, at: int, _: Value = None) -> Outcome:
    """A step faster."""
    return _withdrawable_tempo(state, round(state.full_mbpm * STEP))


def tempo_down(state: State, at: int, _: Value = None) -> Outcome:
    """A step slower."""
    return _withdrawable_tempo(state, round(state.full_mbpm / STEP))


def tempo_back(state: State, at: int, _: Value = None) -> Outcome:
    """The written tempo."""
    return _withdrawable_tempo(state, state.plan.mbpm)


def tap_tempo(state: State, at: int, _: Value = None) -> Outcome:
    """Three taps or more set the tempo to their mean."""
    taps = () if state.taps and at - state.taps[-1] > TAP_PATIENCE_NS else state.taps
    state = state._replace(taps=(*taps, at))
    intervals = [later - sooner for sooner, later in pairwise(state.taps)]
    if len(intervals) >= 2:
        pace = state.position.pace if state.position and not state.follows else FULL_PACE
        mbpm = mbpm_of(sum(intervals) // len(intervals)) * FULL_PACE // pace
        if SLOWEST * 1000 <= mbpm <= FASTEST * 1000:
            return _at_tempo(state, mbpm)
    return Move(state)


def _at_tempo(state: State, mbpm: int) -> Move:
    return Move(state._replace(mbpm=mbpm), full_mbpm=mbpm)


def _withdrawable_tempo(state: State, mbpm: int) -> Move:
    undo = Undo((("full_mbpm", state.full_mbpm), ("mbpm", state.mbpm)))
    mbpm = max(SLOWEST * 1000, min(FASTEST * 1000, mbpm))
    return _at_tempo(state, mbpm)._replace(undo=undo)


# ---- how it is played -----------------------------------------------------------------------


def mode(state: State, at: int, mode: Value) -> Outcome:
    """How the form moves; a drill starts from the next count-in."""
    if mode not in MODES:
        return Refusal(f"mode must be one of {', '.join(MODES)}")
    state, position = state._replace(settings=replace(state.settings, mode=mode)), state.position
    if position and mode != "drill":
        there = leave_drill(state.plan, position) if position.drill else position
        state = state._replace(position=there._replace(mode=str(mode), cue=None, drill_next=None))
    return Move(state)


def soft(state: State, at: int, soft: Value = None) -> Outcome:
    """Soft or full from the next phrase on; without a value the other of the two."""
    if not state.position:
        return Refusal("not playing")
    wanted = not state.position.soft_next if soft is None else bool(soft)
    return _armed(state, state.position._replace(soft_next=wanted), "soft_next")


def stop_time(state: State, at: int, _: Value = None) -> Outcome:
    """Stop-time in the first bars of the next chorus; again: withdrawn."""
    if not state.position:
        return Refusal("not playing")
    there = state.position._replace(stops_next=not state.position.stops_next)
    return _armed(state, there, "stops_next")


def again(state: State, at: int, _: Value = None) -> Outcome:
    """From the start of this phrase again, at the next bar line; again: not after all."""
    position = state.position
    if not position or position.chorus == 0:
        return Refusal("not playing")
    if position.drill or position.is_last:
        return Refusal("not in a drill or an ending")
    return _armed(state, position._replace(again=not position.again, cue=None), "again", "cue")


def _armed(state: State, there: FormPosition, *names: str) -> Move:
    """Something is armed for a bar line to come: these fields of the position."""
    undo = Undo(tuple((f"position.{name}", getattr(state.position, name)) for name in names))
    return Move(state._replace(position=there), undo=undo)


def parts(state: State, at: int, parts: Value = None) -> Outcome:
    """Who plays: a list of parts (none: lamps only); without one, the next of the usual choices."""
    now = state.band.parts
    if parts is None:
        wanted = WHO[(WHO.index(now) + 1) % len(WHO)] if now in WHO else WHO[0]
    elif isinstance(parts, list | tuple | set | frozenset) and set(parts) <= set(PARTS):
        wanted = frozenset(parts)
    else:
        return Refusal(f"parts must be some of {', '.join(PARTS)}")
    undo = Undo((("band.parts", now),))
    return Move(state._replace(band=state.band._replace(parts=wanted)), undo=undo)


def guide(state: State, at: int, guide: Value = None) -> Outcome:
    """The guide bass; without a value the next way."""
    now = state.settings.guide
    if guide is None:
        guide = GUIDES[(GUIDES.index(now) + 1) % len(GUIDES)]
    if not isinstance(guide, str) or guide not in GUIDES:
        return Refusal(f"guide must be one of {', '.join(GUIDES)}")
    undo = Undo((("settings.guide", now), ("position.guide", now)))
    state = state._replace(settings=replace(state.settings, guide=guide))
    if state.position:
        state = state._replace(position=state.position._replace(guide=guide))
    return Move(state, undo=undo)


# ---- what is played -------------------------------------------------------------------------


def key(state: State, at: int, key: Value) -> Outcome:
    """Another key by name: at once when stopped, else from the next chorus."""
    if waits := state.waiting_tune:
        return Move(state, wanted=PlanWanted(at, waits, str(key), None))
    return Move(state, wanted=PlanWanted(at, state.plan.tune.name, str(key), state.mbpm))


def key_fourth(state: State, at: int, _: Value = None) -> Outcome:
    """Up a fourth; only when stopped."""
    return _key_by(state, at, FOURTH)


def key_up(state: State, at: int, _: Value = None) -> Outcome:
    """Up a semitone; only when stopped."""
    return _key_by(state, at, 1)


def key_down(state: State, at: int, _: Value = None) -> Outcome:
    """Down a semitone; only when stopped."""
    return _key_by(state, at, -1)


def _key_by(state: State, at: int, semitones: int) -> Outcome:
    if state.position:
        return Refusal("the key moves when stopped")
    was = state.wanted_key
    wanted: Key = was.up(semitones)
    asked = PlanWanted(at, state.plan.tune.name, str(wanted), state.mbpm)
    return Move(state._replace(wanted_key=wanted), wanted=asked, undo=Undo((("wanted_key", was),)))


def load(state: State, at: int, tune: Value) -> Outcome:
    """Another tune: at once when stopped, else when this one has stopped."""
    return Move(state, wanted=PlanWanted(at, str(tune), None, None))
