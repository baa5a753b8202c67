"""What a tap has done is taken back, if a second press makes it something else: as it was, or not at all."""

import pytest

from pedal.events import NS_PER_MS, NS_PER_S, GestureDone
from pedal.session.action_table import TABLE
from pedal.session.entry import Entry
from pedal.session.outcome import Move, put_back
from pedal.session.session import Session
from pedal.session.settings import SessionSettings
from tests.support.band import Run, bar_one, beat_ns, double, plan, tap

MS, S = NS_PER_MS, NS_PER_S
ENTRIES = (Entry("wet-boots"), Entry("wet-boots", key="D"))
# Where a band may be when a foot comes: settings, and what is done before.
BANDS = {
    "stopped": ({}, []),
    "counting": ({}, tap(0)),
    "through": ({}, tap(0)),
    "vamp": ({"mode": "vamp"}, tap(0)),
    "band": ({"use": "band"}, tap(0)),
    "drill": ({"mode": "drill"}, tap(0)),
}
WHEN = {"stopped": 9 * S, "counting": 2 * S}


def state_of(name):
    settings, inputs = BANDS[name]
    session = Session(plan(), SessionSettings(**settings), entries=ENTRIES)
    for event in inputs:
        session.handle(event)
    at = WHEN.get(name, 17 * S + 300 * MS)
    session.take(at)
    return session.state, at


@pytest.mark.parametrize("action", TABLE, ids=lambda action: action.name)
@pytest.mark.parametrize("band", BANDS)
def test_every_action_that_can_be_undone_leaves_no_trace(band, action):
    state, at = state_of(band)
    outcome = action.run(state, at, None)
    if not isinstance(outcome, Move) or outcome.undo is None:
        return
    back = put_back(outcome.state, outcome.undo, at + 200 * MS)
    gathered = {"stomps": (), "taps": ()}  # what has been tapped so far is void, not put back
    assert back.state._replace(**gathered) == state._replace(**gathered)
    assert (back.full_mbpm in (None, state.full_mbpm)) and not (back.start or back.halt)
    assert (back.wanted is None) == (outcome.state.wanted_key == state.wanted_key)


def test_some_can_be_undone_in_every_band():
    """Else the test above would look at nothing."""
    for band in BANDS:
        state, at = state_of(band)
        outcomes = [action.run(state, at, None) for action in TABLE]
        assert any(isinstance(outcome, Move) and outcome.undo for outcome in outcomes), band


def test_a_flag_that_was_withdrawn_comes_back_with_its_drill():
    """Flagged; tapped again, so withdrawn; that tap becomes a double: both are as before it."""
    flagged = bar_one() + 6 * 4 * beat_ns() + beat_ns()
    again = flagged + 2 * S
    run = Run([*tap(0), *tap(flagged), *double(again)], again + S)
    answers = [(done.action, done.withdrew) for done in run.results(GestureDone)]
    assert answers[-3:] == [("flag", False), ("flag", False), ("last", True)]
    state = run.session.state
    assert len(state.flags) == 1 and state.position.drill_next.loops == state.flags


def test_what_has_sounded_is_not_taken_back():
    """A cue a moment after the line sounds on the next triplet; then a second press is too late."""
    cue = bar_one() + 4 * 4 * beat_ns() + 5 * MS
    run = Run([*tap(0), *tap(cue), *tap(cue + 330 * MS)], cue + S, mode="vamp")
    late = Run([*tap(0), *tap(cue)], cue + S, mode="vamp")
    assert [done.gesture for done in run.results(GestureDone)][-1] == "double"
    assert run.session.position.bar == late.session.position.bar == 5
    quick = Run([*tap(0), *tap(cue), *tap(cue + 100 * MS)], cue + S, mode="vamp")
    assert quick.session.position.bar == 1
