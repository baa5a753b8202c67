"""`take_ready`, which lets the notes of a beat go before anything else is done about it."""

import pytest
from hypothesis import given

from pedal.events import Light, Result, Send
from pedal.session.session import Session
from tests.support.band import MS, Run, S, bar_one, plan, plays, tap
from tests.support.examples import examples

UNTIL = 64 * S


class Early(Session):
    """A Session whose owner lets the notes go first, as the loop does."""

    def take(self, now):
        return self.take_ready(now) + super().take(now)


@examples(40)
@given(plays())
def test_it_is_the_beginning_of_take(play):
    inputs, options, the_plan = play
    with pytest.MonkeyPatch.context() as patch:
        usual = Run(inputs, UNTIL, the_plan, **options).outputs
        patch.setattr("tests.support.band.Session", Early)
        early = Run(inputs, UNTIL, the_plan, **options).outputs
    assert early == usual


def at_bar_one():
    """A Session prepared for the first beat of bar 1, and when that is."""
    session = Run(tap(0), bar_one() - 10 * MS, strict=True).session
    return session, bar_one()


def test_on_a_beat_it_has_the_notes_and_leaves_the_lamps():
    session, beat = at_bar_one()
    ready, rest = session.take_ready(beat), session.take(beat)
    assert [send.part for send in ready if isinstance(send, Send)][:1] == ["drums"]
    assert not [output for output in ready if isinstance(output, Light)]
    assert [output for output in rest if isinstance(output, Light)]
    assert not [output for output in rest if isinstance(output, Send)]


def test_what_it_took_is_final():
    session, beat = at_bar_one()
    session.take_ready(beat)
    assert session.take_ready(beat) == []
    assert session.now == beat


def test_it_takes_nothing_that_the_session_may_still_change():
    """Not ready is what comes after the Session has done something itself."""
    session = Session(plan())
    for event in tap(0):
        session.handle(event)
    late = bar_one() + S
    assert not [output for output in session.take_ready(late) if isinstance(output, Send) and output.due]
    assert [output for output in session.take(late) if isinstance(output, Result) and output.due]
