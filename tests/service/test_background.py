"""Requests through the socket, from the thread to the Session and back; what is logged and kept."""

from contextlib import closing

import pytest
from hypothesis import given
from hypothesis import strategies as st

from pedal.events import NS_PER_S, Command, CommandDone, FaultsKnown, Loaded, PlanWanted, Result, Trouble
from pedal.hardware.clock import SimClock
from pedal.library.action_values import COMMANDS, judge
from pedal.library.settings import Config
from pedal.music.plan import make_plan
from pedal.practice_log.store import LogReader
from pedal.service.background import Background
from pedal.service.control.request import Request
from pedal.service.faults import Faults
from pedal.service.last_state import unpack, written
from pedal.service.paths import log_file, state_file
from pedal.session.offline import drive
from pedal.session.session import Session
from tests.support.examples import examples


@pytest.fixture
def home(tmp_path, monkeypatch):
    monkeypatch.setenv("STATE_DIRECTORY", str(tmp_path / "state"))
    monkeypatch.setenv("RUNTIME_DIRECTORY", str(tmp_path / ("long" * 40)))  # no socket: nobody asks
    return tmp_path


class Box:
    """The loop's part: a Session, and what it gives to the backroom."""

    def __init__(self, library):
        self.library = library
        self.said, self.put, self.faults = [], [], Faults()
        self.session = Session(make_plan(library.tune("wet-boots"), None, 260))
        config = Config()
        self.back = Background(
            config, written(config), self.put.append, SimClock(), self.faults, self.said.append, lambda: "rig"
        )
        self.wanted = []

    def ask(self, name, value=None):
        """A request; returns its answers, which may still be to come."""
        answers = []
        request = Request(self.session.now, name, value, answers.append)
        self.session.handle(self.back.command(request))
        self.put_out(self.session.take(self.session.now))
        return answers

    def put_out(self, outputs):
        for output in outputs:
            if isinstance(output, PlanWanted):
                self.back.plan_wanted(output)
                self.wanted.append(output)
            elif isinstance(output, Result):
                self.back.happened(output, self.session)

    def play(self, seconds):
        until = self.session.now + round(seconds * NS_PER_S)
        self.put_out(drive(self.session, [], until))
        self.back.look(self.session)

    def worker(self, error=None):
        """The worker answers the first plan that is wanted."""
        wanted = self.wanted.pop(0)
        if error:
            return self.back.plan_came(self.session, error)
        from pedal.library.plans import plan_for

        self.session.handle(Loaded(self.session.now, plan_for(self.library, wanted.tune, wanted.key)))
        return self.back.plan_came(self.session)


@pytest.fixture
def box(library, home):
    box = Box(library)
    yield box
    box.back.close()


OK = {"ok": True}


class TestRequests:
    def test_the_session_answers(self, box):
        assert box.ask("start") == [OK]
        assert box.ask("start") == [{"ok": False, "reason": "already playing"}]
        assert box.ask("tempo", 500) == [{"ok": False, "reason": "tempo must be 40 to 260 beats a minute"}]

    def test_commands_of_our_own_take_no_answer_away(self, box):
        answers = []
        request = Request(0, "start", None, answers.append)
        box.session.handle(FaultsKnown(0, ()))
        box.session.handle(box.back.command(request))
        box.session.handle(FaultsKnown(0, ()))
        box.put_out(box.session.take(0))
        assert answers == [OK]

    def test_a_tune_is_answered_when_the_plan_is_there(self, box):
        answers = box.ask("load", "third-bus-home")
        assert answers == []
        assert box.worker() is True
        assert answers == [OK]

    def test_why_a_tune_cannot_be_is_told_to_who_asked(self, box):
        first, second = box.ask("load", "wet-bots"), box.ask("key", "C")
        assert box.worker("no tune is called 'wet-bots'") is True
        assert (first, second) == ([{"ok": False, "reason": "no tune is called 'wet-bots'"}], [])
        box.worker()
        assert second == [OK]

    def test_a_plan_that_the_foot_wanted_answers_nobody(self, box):
        box.put_out([PlanWanted(0, "wet-boots", "C")])
        answers = box.ask("load", "third-bus-home")
        assert box.worker("broken") is False
        assert answers == []
        assert box.worker() is True
        assert answers == [OK]

    def test_who_asked_for_what_gives_way_is_told_so(self, box):
        first, second = box.ask("load", "third-bus-home"), box.ask("key", "C")
        newer = PlanWanted(0, "wet-boots", "D")
        box.back.plan_wanted(newer, instead_of=box.wanted.pop())
        box.wanted.append(newer)
        assert (first, second) == ([], [{"ok": False, "reason": "gave way to a newer request"}])
        assert (box.worker(), box.worker()) == (True, False)
        assert first == [OK]

    def test_a_refused_key_waits_for_no_plan(self, box):
        box.ask("start")
        assert box.ask("key-up") == [{"ok": False, "reason": "the key moves when stopped"}]
        assert box.wanted == []

    @pytest.mark.parametrize(
        ("name", "value", "why"),
        [
            ("quit", None, "there is no command 'quit'"),
            ("port", False, "there is no command 'port'"),
            ("fault", "x", "there is no command 'fault'"),
            ("faults", ["x"], "there is no command 'faults'"),
            ("strat", None, "did you mean 'start'?"),
            ("load", None, "load needs the name of a tune"),
            ("key", 5, "key needs a key, like Bb"),
            ("tempo", "fast", "tempo needs beats a minute"),
            ("tempo", True, "tempo needs beats a minute"),
        ],
    )
    def test_what_may_not_be_asked(self, name, value, why):
        assert why in judge(name, value)

    def test_all_that_a_foot_can_do_may_be_asked(self):
        assert {"start", "stop", "cue", "last", "soft", "tempo", "load", "mode"} <= set(COMMANDS)

    @examples(60)
    @given(
        asked=st.lists(
            st.tuples(
                st.sampled_from(COMMANDS),
                st.none()
                | st.booleans()
                | st.integers(-(10**9), 10**9)
                | st.floats(-1e9, 1e9)
                | st.text(max_size=5)
                | st.sampled_from(["A", "vamp", "drill", "off", "wet-boots"])
                | st.lists(st.sampled_from(["drums", "bass", "x"]), max_size=3),
                st.integers(0, 3000),
            ),
            max_size=12,
        )
    )
    def test_nothing_that_may_be_asked_harms_the_session(self, library, asked):
        session = Session(make_plan(library.tune("wet-boots")))
        now = 0
        for name, value, pause_ms in asked:
            now += pause_ms * 1_000_000
            list(drive(session, [], now))
            if judge(name, value) is None:
                session.handle(Command(now, name, value))
                marks = [mark for mark in session.take(now) if isinstance(mark, CommandDone)]
                assert [mark.name for mark in marks] == [name]  # each is answered once
        list(drive(session, [], now + NS_PER_S))


class TestLogAndState:
    def test_choruses_and_drills_are_logged_and_the_rest_is_kept(self, box):
        box.ask("tempo", 240)
        box.ask("start")
        box.play(15)  # two bars of count, and 12 s of chorus
        box.ask("stop")
        box.ask("mode", "drill")
        box.ask("start")
        box.play(14)
        box.ask("stop")
        box.play(1)
        box.back.close(box.session)
        with closing(LogReader(log_file())) as log:
            (chorus,) = log.choruses()
            assert (chorus.tune, chorus.key, chorus.mbpm, chorus.chorus) == ("wet-boots", "A", 240_000, 1)
            repetitions = log.repetitions()
            assert repetitions and all(
                (entry.clean, entry.pace, entry.mbpm) == (True, 700, 168_000) for entry in repetitions
            )
            assert len(log.sessions()) == 1
        state, _ = unpack(state_file().read_bytes())
        assert state == ("wet-boots", "A", 240_000, "drill")

    def test_in_the_middle_of_a_chorus_the_last_chorus_end_is_kept(self, box):
        box.ask("start")
        box.play(20)
        box.ask("mode", "vamp")
        box.back.close(box.session)
        assert unpack(state_file().read_bytes())[0].mode == "through"

    def test_without_a_socket_it_is_said_and_goes_on(self, box):
        assert len(box.said) == 1 and box.said[0].startswith("no control socket at ")
        assert [fault.split(":")[0] for fault in box.faults.details] == ["degraded"]

    def test_a_log_that_cannot_be_is_a_fault(self, library, home):
        log_file().parent.mkdir(parents=True)
        log_file().write_bytes(b"Dear diary")
        box = Box(library)
        box.ask("start")
        box.play(14)
        box.back.close()
        causes = [(event.cause, event.kind) for event in box.put if isinstance(event, Trouble)]
        assert causes == [("log", "degraded")]
        assert log_file().read_bytes() == b"Dear diary"
