"""A set: what is played tonight, entry by entry, so that one switch reaches everything."""

from dataclasses import replace

from ..events import PlanWanted, Value
from ..music.plan import Plan
from .controls import FOURTH
from .entry import Entry, Setlist
from .outcome import Move, Outcome, Refusal
from .settings import SessionSettings
from .state import State


def held(settings: SessionSettings, entries: tuple[Entry, ...]) -> tuple[SessionSettings, Setlist]:
    """The settings with which the first of the entries begins, and the set."""
    setlist = Setlist(entries, settings)
    return (_settings(settings, setlist, entries[0]) if entries else settings), setlist


def next_entry(state: State, at: int, _: Value = None) -> Outcome:
    """The next entry, round the end."""
    return _move(state, at, 1)


def previous_entry(state: State, at: int, _: Value = None) -> Outcome:
    """The entry before, round the start."""
    return _move(state, at, -1)


def _move(state: State, at: int, by: int) -> Outcome:
    entries = state.setlist.entries
    if state.position:
        return Refusal("entries change when stopped")
    if len(entries) < 2:
        return Refusal("there is no set" if not entries else "the set has one entry")
    return _ask(state, at, (state.setlist.at + by) % len(entries), begins=False)


def finished(state: State, at: int) -> Move | None:
    """The music has come to its end: a routine goes on by itself."""
    setlist = state.setlist
    if setlist.entry and setlist.entry.goes_on and setlist.at + 1 < len(setlist.entries):
        return _ask(state, at, setlist.at + 1, begins=True)
    return None


def chorus_began(state: State, now: int) -> PlanWanted | None:
    """Round the circle: if this beat is a chorus's first, find out how to leave it for the next key."""
    position, entry = state.position, state.setlist.entry
    if not (entry and entry.circle and position) or position.mode != "through" or position.is_last:
        return None
    if position.chorus == 0 or (position.bar, position.beat) != (1, 1):
        return None
    plan = state.plan
    lead = str(plan.key.up(FOURTH))
    return PlanWanted(now, plan.tune.name, str(plan.key), state.full_mbpm, lead)


def _ask(state: State, at: int, index: int, begins: bool) -> Move:
    entry = state.setlist.entries[index]
    key = entry.key
    if entry.up:
        state = state._replace(wanted_key=state.wanted_key.up(entry.up))
        key = str(state.wanted_key)
    elif entry.goes_on and key is None and entry.tune == state.plan.tune.name:
        key = str(state.wanted_key)  # a routine stays in the key it has come to
    setlist = state.setlist._replace(at=index, begins=begins, waiting=entry)
    return Move(state._replace(setlist=setlist), wanted=PlanWanted(at, entry.tune, key, entry.mbpm))


def arrived(state: State, plan: Plan) -> tuple[State, bool]:
    """A plan is here; an entry's mode and guide hold from now on. True if it begins by itself."""
    setlist = state.setlist
    entry = setlist.waiting
    if not entry or entry.tune != plan.tune.name:
        return state, False
    settings = _settings(state.settings, setlist, entry)
    return state._replace(settings=settings, setlist=setlist._replace(waiting=None)), setlist.begins


def _settings(settings: SessionSettings, setlist: Setlist, entry: Entry) -> SessionSettings:
    usual = setlist.usual
    return replace(settings, mode=entry.mode or usual.mode, guide=entry.guide or usual.guide)
