"""Round the circle of keys: a fourth up every chorus, bar 12 the V7 of what comes."""

import pytest

from pedal.events import BeatBegan, ChorusDone, Stopped
from pedal.library.foot_script import parse_foot
from pedal.library.library import Library
from pedal.music.degrees import parse_degree
from pedal.music.pitch import parse_key
from pedal.music.plan import make_plan
from pedal.session.entry import Entry
from pedal.session.offline import drive
from pedal.session.session import Session
from tests.support.band import S, plan

TUNE = "wet-boots"


def plan_for(tune, key, bpm, lead=None):
    return make_plan(
        Library().tune(tune), parse_key(key) if key else None, bpm, lead=parse_key(lead) if lead else None
    )


@pytest.fixture(scope="module")
def round_the_circle():
    entry = Entry(TUNE, mode="through", choruses=13, circle=True, goes_on=True)
    session = Session(plan(TUNE), entries=(entry,))
    return list(drive(session, parse_foot("tap@0"), 420 * S, plan_for))


def positions(outputs):
    return [o for o in outputs if isinstance(o, BeatBegan) and o.chorus]


def test_every_key_once_and_home_again(round_the_circle):
    first = [p.chord for p in positions(round_the_circle) if (p.bar, p.beat) == (1, 1)]
    assert first == [
        f"{key}7" for key in ["A", "D", "G", "C", "F", "B♭", "E♭", "A♭", "D♭", "F♯", "B", "E", "A"]
    ]


def test_bar_12_is_the_dominant_of_the_coming_key_and_the_lamps_mean_that_key(round_the_circle):
    marks = positions(round_the_circle)
    for chorus in range(1, 13):
        last = [p for p in marks if (p.chorus, p.bar) == (chorus, 12)]
        tonic = next(p.chord for p in marks if p.chorus == chorus + 1)[:-1]
        root = parse_key(tonic).tonic
        assert {fields.chord for fields in last} == {f"{root.up(4, 7).plain()}7"}  # its fifth
        assert {parse_degree(fields.degree).lamp for fields in last} == {"V"}
        assert {fields.next_chord for fields in last} == {f"{tonic}7"}


def test_the_bass_lands_on_the_new_root(round_the_circle):
    marks = [p for p in positions(round_the_circle) if (p.bar, p.beat) == (1, 1)]
    plucks = [o for o in round_the_circle if getattr(o, "part", "") == "bass" and o.data[0] & 0xF0 == 0x90]
    for mark in marks:
        key = parse_key(mark.chord[:-1])
        first = min(plucks, key=lambda send: abs(send.due - mark.due))
        assert abs(first.due - mark.due) < 20_000_000
        assert first.data[1] % 12 == key.tonic.pc
        if mark.chorus > 1:  # and the pickup before it is that root's fifth and flat seventh
            pickup = [s.data[1] % 12 for s in plucks if s.due < mark.due - 20_000_000][-2:]
            assert pickup == [(key.tonic.pc + 7) % 12, (key.tonic.pc + 10) % 12]


def test_each_chorus_is_noted_in_the_key_it_was_played_in(round_the_circle):
    """Another key is another place on the neck: the log counts each for itself."""
    played = [p.chord[:-1] for p in positions(round_the_circle) if (p.bar, p.beat) == (1, 1)]
    noted = [o.key for o in round_the_circle if isinstance(o, ChorusDone)]
    assert noted == played and len(noted) == 13


def test_the_last_chorus_ends_at_home(round_the_circle):
    assert positions(round_the_circle)[-1].degree == "I7"
    assert [o for o in round_the_circle if isinstance(o, Stopped)]
