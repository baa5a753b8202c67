"""What goes on beside the music: the practice log, what is remembered, control without a screen.

The loop hands results over and passes requests on; all files and sockets are with threads. Nothing
here waits, and nothing that fails stops the music: it is said, and kept as a fault.
"""

from collections import deque
from collections.abc import Callable
from typing import Any, NamedTuple

from ..events import (
    BeatBegan,
    ChorusDone,
    Command,
    CommandDone,
    EdgeHeard,
    Input,
    Notice,
    PlanWanted,
    RepetitionDone,
    Result,
    TemposKnown,
    Trouble,
)
from ..hardware.clock import RealClock
from ..library.action_values import judge
from ..library.settings import Config
from ..practice_log.writer import LogWriter
from ..session.report import report_of
from ..session.session import Session
from ..session.state import State
from .control.request import Request
from .control.server import ControlServer
from .control.socket_path import ControlError
from .faults import DEGRADED, Faults
from .last_state import LastState, StateKeeper
from .paths import control_socket, log_file, state_file


class _Now(NamedTuple):
    """What `status` is made of, as the loop leaves it: frozen, so another thread may put it into words."""

    state: State
    waits: str | None
    faults: tuple[str, ...]
    dropped: int

    def status(self) -> dict[str, Any]:
        plan, settings, report = self.state.plan, self.state.settings, report_of(self.state)
        where = report._asdict()
        where["drill"] = report.drill and report.drill._asdict()
        return {
            "tune": plan.tune.name,
            "title": plan.tune.title,
            "key": str(plan.key),
            "bpm": where.pop("mbpm") / 1000,
            "written_bpm": plan.mbpm / 1000,
            **where,
            "mode": report.mode or settings.mode,
            "guide": settings.guide,
            "waits": self.waits,
            "parts": sorted(self.state.band.parts),
            "faults": list(self.faults),
            "log_dropped": self.dropped,
        }


class _Wanted:
    """A plan that the worker is to make, and who has asked for it through the socket, if anybody."""

    def __init__(self, plan: PlanWanted) -> None:
        self.plan = plan
        self.asked_by: Request | None = None

    def answer(self, why_not: str | None) -> bool:
        """Answer who asked, with a reason if it is a refusal. False if nobody did."""
        if self.asked_by:
            self.asked_by.reply({"ok": False, "reason": why_not} if why_not else {"ok": True})
        return self.asked_by is not None


class Background:
    """Opened after ports and pins, and used by the loop alone."""

    def __init__(
        self,
        config: Config,
        settings: list[Any],
        put: Callable[[Input | Notice | Request], None],
        clock: RealClock,
        faults: Faults,
        say: Callable[[str], None],
        describe: Callable[[], str],
    ) -> None:
        """`settings` is what was `written` where the box was started; `describe` says what hardware there is.

        Raises nothing: what there is not is a fault.
        """
        self._faults, self._describe = faults, describe

        def trouble(cause: str) -> Callable[[str], None]:
            return lambda text: put(Trouble(clock.now(), text, cause, DEGRADED))

        self._log = LogWriter(log_file(), trouble("log"))
        self._state = StateKeeper(state_file(), settings, trouble("state"))
        self._control: ControlServer | None = None
        try:
            self._control = ControlServer(control_socket(), put, judge, config.control_group)
        except ControlError as error:
            say(str(error))
            faults.add("control", DEGRADED, str(error))
        self._asked: dict[int, Request] = {}  # handled by the Session, not yet answered by it
        self._last_id = 0
        self._wanted: deque[_Wanted] = deque()  # plans that the worker makes, in this order
        self._wanting = False  # a plan was wanted since the last command
        self._was_stopped = True
        self._put, self._clock = put, clock
        self._known: tuple[str, str] | None = None  # the tune and key whose clean tempos were asked for

    # ---- requests: the Session answers each by a result, the worker each plan by a plan or a fault --

    def command(self, request: Request) -> Command:
        """What the Session is to be told; it is answered when the Session's result comes."""
        self._last_id += 1
        self._asked[self._last_id] = request
        self._wanting = False
        return Command(request.at, request.name, request.value, self._last_id)

    def plan_wanted(self, plan: PlanWanted, instead_of: PlanWanted | None = None) -> None:
        """The worker was asked for a plan, and an earlier one gives way to it."""
        if instead_of:
            given_up = next(wanted for wanted in self._wanted if wanted.plan is instead_of)
            self._wanted.remove(given_up)
            given_up.answer("gave way to a newer request")
        self._wanted.append(_Wanted(plan))
        self._wanting = True

    def plan_came(self, session: Session, why_not: str | None = None) -> bool:
        """The worker has answered. True if somebody had asked through the socket, and has the answer."""
        self.publish(session)
        return bool(self._wanted) and self._wanted.popleft().answer(why_not)

    def _answer(self, done: CommandDone) -> None:
        request, reason = self._asked.pop(done.id, None), done.reason
        if request is None:
            return  # a command of our own
        if self._wanting and not reason:
            self._wanted[-1].asked_by = request  # when the plan is there
        else:
            request.reply({"ok": False, "reason": reason} if reason else {"ok": True})
        self._wanting = False

    # ---- what has happened ------------------------------------------------------------------

    def happened(self, result: Result, session: Session) -> None:
        """The Session has put out a result."""
        if not isinstance(result, EdgeHeard):
            self.publish(session)
        match result:
            case CommandDone():
                self._answer(result)
            case BeatBegan():
                self._log.playing()
            case ChorusDone() | RepetitionDone():
                self._log.take(result)
                self._remember(session)

    def look(self, session: Session) -> None:
        """Once a second."""
        stopped = session.position is None
        if stopped:
            self._remember(session)
            self._ask_clean(session)
            if not self._was_stopped:
                self._log.stopped()
        self._was_stopped = stopped
        self.publish(session)

    def _remember(self, session: Session) -> None:
        plan = session.plan
        self._state.keep(
            LastState(plan.tune.name, str(plan.key), session.state.mbpm, session.state.settings.mode)
        )

    def _ask_clean(self, session: Session) -> None:
        """Where a drill of this tune is to begin: a command for the Session when the log has answered."""
        tune, key = session.plan.tune.name, str(session.plan.key)
        if self._known != (tune, key):
            self._known = tune, key

            def tell(mbpm: dict[int, int]) -> None:
                self._put(TemposKnown(self._clock.now(), tune, key, mbpm))

            self._log.ask(tune, key, tell)

    def publish(self, session: Session) -> None:
        """Whoever asks for the status is told what holds now."""
        if self._control:
            faults = tuple(self._faults.details)
            now = _Now(session.state, session.waits, faults, self._log.dropped)
            self._control.publish(lambda: now.status() | {"rig": self._describe()})

    def close(self, session: Session | None = None) -> None:
        """Finish writing, and take the socket away."""
        if session and session.position is None:
            self._remember(session)
        if self._control:
            self._control.close()
        self._state.close()
        self._log.close()
