"""The one loop that joins the Session to the rig.

Getting ready has an order: imports, settings, the tune; then children (the worker, a synth of
our own); then ports, pins and threads. What is missing is said once, and the box goes on with
what it has. Sends and lamp writes happen in the loop and take microseconds; files are written
elsewhere.
"""

import os
import signal
import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from pathlib import Path

from . import flight
from .config import Config
from .events import NS_PER_MS, NS_PER_S, Command, Input, Light, Loaded, Mark, PlanWanted, Send
from .faults import BAD_FILE, DEGRADED, Faults
from .files import why_not_writable
from .leader.wire import quiet_controllers
from .library import Library
from .places import state_folder
from .rig.clock import RealClock
from .rig.errors import RigError
from .rig.guard import end_process_on_thread_error
from .rig.inbox import Inbox
from .rig.notify import Notifier
from .rig.realtime import SPIN_NS, StoppedCollector, take_priority
from .rig.trace import TraceWriter
from .rigging import Rig
from .salvage import Salvaged, attended
from .score.plan import Plan
from .sessions import make_session
from .worker import Worker, plan_for

_LOOK_NS = NS_PER_S  # how often at least the loop looks up, with nothing to play
_LEAD_NS = 500_000  # at most so long before it is due is something taken, and then held
_ROOM_NS = 3 * NS_PER_MS  # composing, when this much is left before the next output


def say(text: str) -> None:
    """Tell the player or the journal. Never raises: a terminal that is gone must not stop the music."""
    with suppress(OSError, ValueError):
        over_lamps = "\r\x1b[K" if sys.stderr.isatty() else ""
        print(f"{over_lamps}pedal: {text}", file=sys.stderr, flush=True)


def run(config: Config, desk: bool, trace: Path | None, salvaged: Salvaged | None = None) -> bool:
    """Play until told to quit. Returns whether all of the trace, if there is to be one, was written.

    Raises RigError, BadFile or Unknown at the start; no mistake in a file matters if `salvaged` has
    what there is to play instead.
    """
    faults = Faults()
    if salvaged:
        plan = salvaged.plan
        for problem in salvaged.problems:
            say(problem)
            faults.add("files", BAD_FILE, salvaged.problems[0])
    else:
        plan = plan_for(Library(config.sequences), config.tune, config.key, config.tempo)
    _check_early(desk, trace)
    worker = Worker(config.sequences)  # before the signals are ours: it must not inherit that
    with _stderr_of_our_own(), _ending_by_signal() as signals:
        try:
            return _play(config, plan, worker, signals, desk, trace, faults)
        except _Ended:
            return True
        finally:
            worker.close()


def _play(
    config: Config,
    plan: Plan,
    worker: Worker,
    signals: "_Signals",
    desk: bool,
    trace: Path | None,
    faults: Faults,
) -> bool:
    clock, inbox = RealClock(), Inbox()
    alone = not (desk or attended())
    rig = Rig(config, clock, say, faults, alone)
    writer = loop = None
    try:
        rig.start_children()
        rig.load(desk)
        end_process_on_thread_error()
        if alone and (why := why_not_writable(state_folder())):
            say(f"nothing can be kept in {state_folder()}: {why}; playing on without")
            faults.add("disk", DEGRADED, f"nothing can be kept in {state_folder()}: {why}")
        if take_priority(say):
            inbox.spin_ns = SPIN_NS
        elif alone:
            faults.add("priority", DEGRADED, "no real-time priority")
        writer = TraceWriter(trace) if trace else None
        rig.open(inbox.put, desk)
        worker.start(inbox.put, clock.now)
        loop = _Loop(config, plan, rig, worker, writer, clock, inbox, faults)
        signals.then(lambda: inbox.put(Command(clock.now(), "quit")))
        loop.play()
    finally:
        signals.then(lambda: None)  # we are ending already
        rig.close()
        if writer:
            writer.close()
            if writer.dropped and not (loop and loop.told_trace):
                say(writer.error or f"trace {str(trace)!r} is incomplete: {writer.dropped} lines lost")
        inbox.close()
    return not (writer and writer.dropped)


# ---- before and around the loop ---------------------------------------------------------


def _check_early(desk: bool, trace: Path | None) -> None:
    """Find what nothing can go on without, before anything is started. Raises RigError."""
    if desk:
        Rig.check_desk()
    if trace:
        try:
            trace.open("ab").close()
        except OSError as error:
            raise RigError(f"trace {str(trace)!r} cannot be opened: {error.strerror}") from None


class _Ended(BaseException):
    """A signal has ended us before the loop ran."""


class _Signals:
    def __init__(self) -> None:
        self._do: Callable[[], None] = self._end
        self._asked = False

    def then(self, do: Callable[[], None]) -> None:
        """From now on a signal does this. At once, if one has come already and was lost on the way."""
        self._do = do
        if self._asked:
            do()

    def __call__(self, *_: object) -> None:
        self._asked = True
        self._do()

    @staticmethod
    def _end() -> None:
        raise _Ended  # the interpreter swallows it where a finalizer runs


@contextmanager
def _ending_by_signal() -> Iterator[_Signals]:
    """SIGTERM, SIGINT and SIGHUP (the terminal is gone) end us in order, at any time from here on."""
    signals = _Signals()
    for number in (signal.SIGTERM, signal.SIGINT, signal.SIGHUP):
        signal.signal(number, signals)
    yield signals


@contextmanager
def _stderr_of_our_own() -> Iterator[None]:
    """While MIDI clients are made, descriptor 2 leads nowhere for moments; what we say must not."""
    usual = sys.stderr
    try:
        own = os.dup(usual.fileno())
    except (AttributeError, OSError, ValueError):  # closed, or no file
        yield
        return
    sys.stderr = open(own, "w", encoding=usual.encoding, errors="backslashreplace", buffering=1)  # noqa: SIM115
    try:
        yield
    finally:
        with suppress(OSError):  # a terminal that is gone does not take the last words
            sys.stderr.close()
        sys.stderr = usual


class _Loop:
    def __init__(
        self, config, plan, rig: Rig, worker: Worker, writer, clock: RealClock, inbox: Inbox, faults: Faults
    ) -> None:
        self._rig, self._worker, self._writer = rig, worker, writer
        self._clock, self._inbox, self._faults = clock, inbox, faults
        self._notifier = Notifier()
        self._collector = StoppedCollector()
        self._session = make_session(config, plan, clock.now())
        self._last_at = 0
        self._quit = False
        self.told_trace = False
        if writer:
            writer.write(flight.header(plan, config.play.mode, config.play.seed))

    def play(self) -> None:
        """The loop itself, until told to quit."""
        try:
            self._begin()
            self._loop()
        except BaseException:
            self._hush()
            raise
        self._end()

    def _loop(self) -> None:
        clock, inbox, session = self._clock, self._inbox, self._session
        watch = self._notifier.watchdog_interval_ns() or _LOOK_NS
        until = look = clock.now() + watch
        # Only with priority can we be sure to be here in time to hold what is taken early.
        lead = most = _LEAD_NS if inbox.spin_ns else 0
        while not self._quit:
            for event in sorted(inbox.drain(), key=lambda event: event.at):
                self._take_in(event)
            now = clock.now()
            outputs = session.take(until if now < until <= now + lead else now)
            # Taking costs time, on this machine so much; the lead is what it took at worst lately.
            lead = min(most, max(lead - lead // 64, (clock.now() - now) * 3 // 2))
            self._put_out(outputs)
            now, deadline = clock.now(), session.deadline()
            if deadline is None or deadline - now >= _ROOM_NS:
                session.prepare(now)
                deadline = session.deadline()
            if now >= look:
                self._notifier.watchdog()
                self._look_around()
                look = now + watch
            until = look if deadline is None else min(deadline, look)
            inbox.wait(until - lead)

    def _begin(self) -> None:
        plan = self._session.plan
        say(
            f"ready: {plan.tune.title} in {plan.key}, {plan.mbpm / 1000:g} beats a minute, "
            f"{self._session.settings.mode}; {self._rig.describe()}"
        )
        self._notifier.ready()
        self._notifier.status(f"ready: {plan.tune.title} in {plan.key}")
        self._faults.then(lambda kinds: self._inbox.put(Command(self._clock.now(), "faults", kinds)))

    def _take_in(self, event: Input) -> None:
        # Threads deliver a little out of order; the Session wants time to go forward.
        self._last_at = max(self._last_at, event.at)
        event = event._replace(at=self._last_at)
        if not isinstance(event, Command):
            if isinstance(event, Loaded):
                self._faults.clear("tune")
            self._session.handle(event)
        elif event.name == "quit":
            self._quit = True
        elif event.name == "port":
            if self._rig.port_changed(event.value):
                self._put_out(self._session.setup(self._clock.now()))
            self._tell("the synth is there" if event.value else "the synth is gone; the form goes on")
        elif event.name == "fault" and isinstance(event.value, tuple):
            self._faults.add(*event.value)
            self._tell(event.value[-1])
        elif event.name == "fault":
            self._tell(str(event.value))
        else:
            if event.name == "faults":
                self._notifier.status("; ".join(self._faults.details) or "all is well")
            self._session.handle(event)

    def _put_out(self, outputs) -> None:
        """Sends and lamps, each at its moment; when they are out, whatever can wait."""
        now, sent = self._clock.now, []
        for output in outputs:
            while 0 < output.due - now() <= _LEAD_NS:
                pass
            if isinstance(output, Send):
                self._rig.port.send(output.data)
            elif isinstance(output, Light):
                self._rig.light(output.lamp, output.lit)
            sent.append(now())
        for output, at in zip(outputs, sent, strict=True):
            if isinstance(output, Mark):
                self._rig.show(output, self._session.position)
            elif isinstance(output, PlanWanted):
                self._worker.ask(output.tune, output.key, output.mbpm)
            if self._writer and (line := flight.line(output, at)):
                self._writer.write(line)

    def _tell(self, what: str) -> None:
        say(what)
        if self._writer:
            self._writer.write(flight.fault(self._clock.now(), what))

    def _look_around(self) -> None:
        self._collector.look(self._session.position.state == "stopped")
        if self._writer and self._writer.error and not self.told_trace:
            self.told_trace = True
            say(f"{self._writer.error}; playing on without it")
            self._faults.add("trace", DEGRADED, self._writer.error)

    def _end(self) -> None:
        self._notifier.stopping()
        self._put_out(self._session.silence(self._clock.now()))

    def _hush(self) -> None:
        """A fault of ours must not leave notes hanging, and whatever state it left is not to be trusted."""
        for send in quiet_controllers(0):
            self._rig.port.send(send.data)
