"""A plan takes its time; what has happened meanwhile must neither lose it nor be overruled by it."""

from dataclasses import replace

import pytest

from pedal.events import NS_PER_MS, NS_PER_S, Command, CommandDone, FaultsKnown, Loaded, PlanWanted, Sync
from pedal.music.plan import make_plan
from pedal.session.controls import key_fourth
from pedal.session.entry import Entry
from pedal.session.outcome import put_back
from pedal.session.session import Session
from pedal.session.settings import SessionSettings
from pedal.session.sync.lamp_message import decode, lamps_of
from tests.support.band import plan

MS, S = NS_PER_MS, NS_PER_S
ROUTINE = (Entry("wet-boots", choruses=1, goes_on=True), Entry("third-bus-home", goes_on=True))


class Clock:
    """A Session on a clock that jumps, and a worker that answers `late` ns after it was asked."""

    def __init__(self, late=None, **given):
        self.session = Session(plan(), **given)
        self.late, self.now = late, 0
        self.coming, self.outputs, self.wanted = [], [], []

    def until(self, then):
        while self.now < then:
            times = [then, *(at for at, _ in self.coming)]
            if (deadline := self.session.deadline()) is not None:
                times.append(deadline)
            self.now = max(self.now, min(times))
            for output in self.session.take(self.now):
                self.outputs.append(output)
                if isinstance(output, PlanWanted):
                    self.wanted.append(output)
                    if self.late is not None:
                        self.coming.append((self.late(self.session, output), self.made(output)))
            for at, made in [one for one in self.coming if one[0] <= self.now]:
                self.coming.remove((at, made))
                self.session.handle(Loaded(self.now, made))
            self.session.prepare(self.now)

    def made(self, wanted):
        bpm = wanted.mbpm and wanted.mbpm / 1000
        lead = plan("wet-boots", wanted.lead).key if wanted.lead else None
        own = plan(wanted.tune, wanted.key, bpm)
        return make_plan(own.tune, own.key, bpm, lead=lead)

    def tell(self, name, value=None):
        self.session.handle(Command(self.now, name, value))

    @property
    def plays(self):
        return self.session.position is not None


@pytest.mark.parametrize("before", [100, 21, 19, 10, 1])
def test_round_the_circle_whenever_the_next_key_is_ready(before):
    """Also in the last 20 ms before a beat, which are played as they were composed."""

    def late(session, wanted):
        return wanted.due + 60 * S * 1000 // session.state.full_mbpm - before * MS

    entry = Entry("wet-boots", circle=True, choruses=3, goes_on=True)
    clock = Clock(late, entries=(entry,))
    clock.tell("start")
    keys = []
    while not keys or clock.plays:
        clock.until(clock.now + S)
        if str(clock.session.plan.key) not in keys[-1:]:
            keys.append(str(clock.session.plan.key))
    assert keys == ["A", "D", "G"]


def test_a_key_that_was_asked_for_as_the_chorus_ended_comes_with_the_next():
    clock = Clock()
    clock.tell("start")
    top = clock.session.state.timeline.at(4 * 480 + 12 * 4 * 480)  # a bar of count, twelve of music
    clock.until(top - 10 * MS)
    clock.session.handle(Loaded(clock.now, plan("wet-boots", "E")))
    clock.until(top + 2 * S)
    assert str(clock.session.plan.key) == "A" and clock.session.waits == "wet-boots in E"
    clock.until(top + 30 * S)
    assert str(clock.session.plan.key) == "E" and clock.session.waits is None


def test_what_the_player_has_started_no_step_starts_over():
    """The next step's plan is late; the player starts meanwhile, and stops: that is a stop."""
    clock = Clock(entries=ROUTINE)
    clock.tell("start")
    while not clock.wanted:
        clock.until(clock.now + S)
    clock.tell("start")
    clock.until(clock.now + 5 * S)
    clock.session.handle(Loaded(clock.now, clock.made(clock.wanted[-1])))
    clock.tell("stop")
    clock.until(clock.now + 20 * S)
    assert not clock.plays and clock.session.plan.tune.name == "third-bus-home"


def test_a_step_that_is_about_to_begin_can_be_stopped():
    clock = Clock(lambda session, wanted: wanted.due, entries=ROUTINE)
    clock.tell("start")
    while clock.session.plan.tune.name == "wet-boots":
        clock.until(clock.now + S)
    assert not clock.plays  # it is previewed
    clock.tell("stop")
    clock.until(clock.now + 20 * S)
    assert not clock.plays
    assert [done.reason for done in clock.outputs if isinstance(done, CommandDone)][-1] is None


def test_a_step_that_cannot_start_hangs_nothing():
    """A form without a change cannot be drilled."""
    tune = plan().tune
    form = replace(tune.form, bars=tuple(tune.form.bars[0] for _ in tune.form.bars))
    still = replace(tune, form=form, turnaround=None)
    steps = (Entry("wet-boots", choruses=1, goes_on=True), Entry("wet-boots", mode="drill", goes_on=True))
    clock = Clock(entries=steps)
    clock.tell("start")
    while not clock.wanted:
        clock.until(clock.now + S)
    clock.session.handle(Loaded(clock.now, make_plan(still)))
    clock.until(clock.now + 20 * S)
    reasons = [done.reason for done in clock.outputs if isinstance(done, CommandDone)]
    assert not clock.plays and reasons[-1] == "this form has no change"


def test_a_key_taken_back_is_asked_for_again_though_another_has_come():
    session = Session(plan())
    up = session.state
    move = key_fourth(up, 0)
    assert str(move.state.wanted_key) == "D"
    came = move.state._replace(wanted_key=up.wanted_key)  # the plan that was asked for before is here
    back = put_back(came, move.undo, 100 * MS)
    assert (back.wanted.key, back.wanted.due) == ("A", 100 * MS)


def test_followers_are_told_of_a_fault_at_once():
    session = Session(plan(), SessionSettings(follow_out=True))
    session.handle(Command(0, "start"))
    session.take(9 * S)
    at = 9 * S + 200 * MS
    session.take(at)
    session.handle(FaultsKnown(at, ("degraded",)))
    (told,) = [decode(output.data) for output in session.take(at + MS) if isinstance(output, Sync)]
    shown = [told.lit, *(lit for after, lit in told.changes if after <= 1)]
    assert "ready" in lamps_of(shown[-1])  # while playing it is lit if something is wrong


def test_where_nobody_follows_no_beat_is_composed_for_them():
    """A start composes its first beat; the next one waits until what is due is out."""
    session = Session(plan())
    session.handle(Command(0, "start"))
    assert not session._player.composed
