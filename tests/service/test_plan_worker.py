"""The worker as a process of its own: what hangs there never holds up who asks."""

import os
import signal
import threading
from collections.abc import Iterator

import pytest

from pedal.events import Loaded, PlanWanted, Trouble
from pedal.library import plans
from pedal.service.faults import BAD_FILE
from pedal.service.plan_worker import Worker
from tests.support.wait import wait_for

TUNE, OTHER = "wet-boots", "third-bus-home"


class Asking:
    """A worker and its answers. It can be stopped as a process that hangs is."""

    def __init__(self) -> None:
        self.worker, self.answers = Worker(None), []
        self.worker.start(self.answers.append, lambda: 0)

    @property
    def process(self):
        return self.worker._process

    def stop(self) -> None:
        os.kill(self.process.pid, signal.SIGSTOP)
        os.waitid(os.P_PID, self.process.pid, os.WSTOPPED | os.WNOWAIT)

    def ask(self, *wanted: PlanWanted) -> list[PlanWanted]:
        """What gave way to these. Fails if it takes long."""
        dropped: list[PlanWanted | None] = []
        thread = threading.Thread(
            target=lambda: dropped.extend(map(self.worker.ask, wanted)), name="asking", daemon=True
        )
        thread.start()
        thread.join(5)
        assert not thread.is_alive(), "asking was held up"
        return [one for one in dropped if one]

    def answered(self, count: int) -> list[tuple[str, str, str | None]]:
        """Tune, key and where it leads, of as many plans as are still to come; no more do."""
        os.kill(self.process.pid, signal.SIGCONT)
        wait_for(f"{count} answers", lambda: len(self.answers) >= count)
        assert not self.worker._busy
        assert all(isinstance(answer, Loaded) for answer in self.answers)
        plans = [answer.plan for answer in self.answers]
        return [(plan.tune.name, str(plan.key), plan.follow and str(plan.follow.key)) for plan in plans]


@pytest.fixture
def asking() -> Iterator[Asking]:
    asking = Asking()
    yield asking
    if asking.process.is_alive():
        os.kill(asking.process.pid, signal.SIGCONT)
    asking.worker.close()


def key(key: str, tune: str = TUNE) -> PlanWanted:
    return PlanWanted(0, tune, key)


def test_a_worker_that_hangs_holds_nobody_up(asking):
    asking.stop()
    wanted = [key("ABCDEFG"[number % 7]) for number in range(10_000)]
    dropped = asking.ask(*wanted)
    assert [id(one) for one in dropped] == [id(one) for one in wanted[1:-1]]
    assert asking.answered(2) == [(TUNE, "A", None), (TUNE, wanted[-1].key, None)]


def test_what_is_needed_beside_it_takes_no_place_and_loses_none(asking):
    asking.stop()
    second, last = key("D"), key("E")
    lead, newer_lead = (PlanWanted(0, TUNE, "A", None, to) for to in "DG")
    assert asking.ask(key("A"), second, lead, key("C", OTHER), last, newer_lead) == [second, lead]
    assert asking.answered(4) == [(TUNE, "A", None), (OTHER, "C", None), (TUNE, "E", None), (TUNE, "A", "G")]


def test_too_many_tunes_push_out_the_oldest(asking):
    asking.stop()
    wanted = [key("A"), *(key("A", f"no-such-tune-{number}") for number in range(40)), key("D")]
    assert asking.ask(*wanted) == wanted[1:26]
    os.kill(asking.process.pid, signal.SIGCONT)
    wait_for("17 answers", lambda: len(asking.answers) == 17)
    assert str(asking.answers[-1].plan.key) == "D"


def test_every_request_is_answered_or_gives_way(asking):
    """Also where one comes just as another is answered."""
    wanted = [key("A", f"no-such-tune-{number % 30}") for number in range(3000)]
    dropped = asking.ask(*wanted)
    count = len(wanted) - len(dropped)
    wait_for(f"{count} answers", lambda: len(asking.answers) >= count)
    assert len(asking.answers) == count and not asking.worker._busy
    assert "no-such-tune-29" in asking.answers[-1].text


def test_one_that_hangs_is_ended(asking):
    asking.stop()
    asking.worker.close()
    assert asking.process.exitcode == -signal.SIGKILL


class TestWhatCannotBeMade:
    def answer(self, asking, *wanted):
        for one in wanted:
            asking.worker.ask(one)
        wait_for("the answers", lambda: len(asking.answers) == len(wanted))
        return [answer if isinstance(answer, Trouble) else answer.plan for answer in asking.answers]

    def test_is_a_bad_file(self, asking, capfd):
        trouble, plan = self.answer(asking, PlanWanted(0, "wet-bots", None), PlanWanted(0, TUNE, "C"))
        assert (trouble.cause, trouble.kind) == ("tune", BAD_FILE)
        assert trouble.text.startswith("no tune is called 'wet-bots'")
        assert str(plan.key) == "C" and capfd.readouterr().err == ""

    def test_a_bug_of_ours_ends_no_worker(self, monkeypatch, capfd):
        def make_plan(tune, *arguments):
            if tune.name == TUNE:
                raise ValueError("bug")
            return make(tune, *arguments)

        make = plans.make_plan
        monkeypatch.setattr(plans, "make_plan", make_plan)  # the worker is forked with it
        asking = Asking()
        try:
            trouble, plan = self.answer(asking, PlanWanted(0, TUNE, "C"), PlanWanted(0, OTHER, None))
        finally:
            asking.worker.close()
        assert trouble[1:] == ("bug", "tune", BAD_FILE) and plan.tune.name == OTHER
        assert "Traceback" in capfd.readouterr().err
