"""The one loop that joins the Session to the rig.

Getting ready has an order: imports, settings, the tune; then children (the worker, a synth of
our own); then ports, pins and threads. What is missing is said once, and the box goes on with
what it has. Sends and lamp writes happen in the loop and take microseconds; files are written
elsewhere.
"""

from pathlib import Path
from typing import Any

from ..errors import file_errors
from ..events import (
    NS_PER_MS,
    NS_PER_S,
    Fault,
    FaultsKnown,
    Input,
    Light,
    Loaded,
    Notice,
    PlanWanted,
    PortChanged,
    Quit,
    Result,
    Send,
    Sync,
    TemposKnown,
    Trouble,
)
from ..hardware.clock import RealClock
from ..library.library import Library
from ..library.new_session import make_session
from ..library.plans import plan_for
from ..library.settings import Config
from ..music.plan import Plan
from ..session.note_queue import quiet_controllers
from . import trace_format
from .atomic_files import why_not_writable
from .background import Background
from .control.request import Request
from .faults import BAD_FILE, DEGRADED, Faults
from .inbox import Inbox
from .last_state import written
from .paths import state_folder
from .plan_worker import Worker
from .process import Ended, Signals, say, stderr_of_our_own
from .realtime import SPIN_NS, StoppedCollector, take_priority
from .recovery import Recovered, attended
from .rig import Rig
from .systemd_notify import Notifier
from .thread_guard import end_process_on_thread_error
from .trace_writer import TraceWriter

_LOOK_NS = NS_PER_S  # how often at least the loop looks up, with nothing to play
_LEAD_NS = 500_000  # at most so long before it is due is something taken, and then held
_ROOM_NS = 3 * NS_PER_MS  # composing, when this much is left before the next output


def run(
    config: Config,
    desk: bool,
    trace: Path | None,
    recovered: Recovered | None = None,
    settings: list[Any] | None = None,
) -> bool:
    """Play until told to quit. Returns whether all of the trace, if there is to be one, was written.

    Raises UserError at the start; no mistake in a file matters if `recovered` has
    what there is to play instead. `settings` are what was `written` (see `state`) before anything else
    was wished for.
    """
    faults = Faults()
    if recovered:
        plan = recovered.plan
        for problem in recovered.problems:
            say(problem)
            faults.add("files", BAD_FILE, recovered.problems[0])
    else:
        plan = plan_for(Library(config.sequences), config.tune, config.key, config.tempo, config.bass)
    for warning in plan.neck.warnings:
        say(warning)
    _check_early(desk, trace)
    worker = Worker(config.sequences, config.bass)  # before the signals are ours: it must not inherit that
    signals = Signals()
    with stderr_of_our_own():
        try:
            return _play(config, plan, worker, signals, desk, trace, faults, settings or written(config))
        except Ended:
            return True
        finally:
            worker.close()


def _play(
    config: Config,
    plan: Plan,
    worker: Worker,
    signals: Signals,
    desk: bool,
    trace: Path | None,
    faults: Faults,
    settings: list[Any],
) -> bool:
    clock, inbox = RealClock(), Inbox()
    alone = not (desk or attended())
    rig = Rig(config, clock, say, faults, alone)
    writer: TraceWriter | None = None
    back: Background | None = None
    loop: _Loop | None = None
    try:
        rig.start_children(signals.check)
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
        signals.check()
        rig.open(inbox.put, desk)
        worker.start(inbox.put, clock.now)
        back = Background(config, settings, inbox.put, clock, faults, say, rig.describe)
        loop = _Loop(config, plan, rig, worker, writer, clock, inbox, faults, back)
        signals.then(lambda: inbox.put(Quit(clock.now())))
        loop.play()
    finally:
        rig.close()
        if back:
            back.close(loop.session if loop else None)
        if writer:
            writer.close()
            if writer.dropped and not (loop and loop.told_trace):
                say(writer.error or f"trace {str(trace)!r} is incomplete: {writer.dropped} lines lost")
        inbox.close()
    return not (writer and writer.dropped)


# ---- before and around the loop ---------------------------------------------------------


def _check_early(desk: bool, trace: Path | None) -> None:
    """Find what nothing can go on without, before anything is started. Raises UserError."""
    if desk:
        Rig.check_desk()
    if trace:
        with file_errors(f"trace {str(trace)!r} cannot be opened"):
            trace.open("ab").close()


class _Loop:
    def __init__(
        self,
        config: Config,
        plan: Plan,
        rig: Rig,
        worker: Worker,
        writer: TraceWriter | None,
        clock: RealClock,
        inbox: Inbox,
        faults: Faults,
        back: Background,
    ) -> None:
        self._rig, self._worker, self._writer = rig, worker, writer
        self._clock, self._inbox, self._faults, self._back = clock, inbox, faults, back
        self._notifier = Notifier()
        self._collector = StoppedCollector()
        self._recorder = trace_format.Recorder(config.synth.wire)
        self.session = make_session(config, plan, clock.now())
        self._last_at = 0
        self._quit = False
        self.told_trace = False
        if writer:
            writer.write(trace_format.header(plan, self.session.state.settings.mode, config.play.seed))

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
        clock, inbox, session = self._clock, self._inbox, self.session
        watch = min(self._notifier.watchdog_interval_ns() or _LOOK_NS, _LOOK_NS)
        until = look = clock.now() + watch
        # Only with priority can we be sure to be here in time to hold what is taken early.
        lead = most = _LEAD_NS if inbox.spin_ns else 0
        while not self._quit:
            now = clock.now()
            outputs = session.take_ready(until if now < until <= now + lead else now)
            # Taking costs time, on this machine so much; the lead is what it took at worst lately.
            lead = min(most, max(lead - lead // 64, (clock.now() - now) * 3 // 2))
            self._put_out(outputs)
            for event in sorted(inbox.drain(), key=lambda event: event.at):
                self._take_in(event)
            self._put_out(session.take(max(clock.now(), session.now)))
            now, deadline = clock.now(), session.deadline()
            if deadline is None or deadline - now >= _ROOM_NS:
                session.prepare(now)
                deadline = session.deadline()
            if now >= look:
                self._notifier.watchdog()
                self._look_around()
                look = now + watch
            until = look if deadline is None else min(deadline, look)
            # Others who play along are served between the notes, never just before them.
            gently = session.sync_deadline()
            inbox.wait(until - lead, gently if gently is None or gently < until - _LEAD_NS else None)

    def _begin(self) -> None:
        self._hush()  # the box may have been cut off, and the synth not
        self._back.look(self.session)
        plan = self.session.plan
        say(
            f"ready: {plan.tune.title} in {plan.key}, {plan.mbpm / 1000:g} beats a minute, "
            f"{self.session.state.settings.mode}; {self._rig.describe()}"
        )
        self._notifier.ready()
        self._notifier.status(f"ready: {plan.tune.title} in {plan.key}")
        self._faults.then(lambda kinds: self._inbox.put(FaultsKnown(self._clock.now(), kinds)))

    def _take_in(self, event: Input | Notice | Request) -> None:
        # Threads deliver a little out of order; the Session wants time to go forward.
        self._last_at = max(self._last_at, event.at)
        event = event._replace(at=self._last_at)
        match event:
            case Quit():
                self._quit = True
            case PortChanged(there=there):
                if self._rig.port_changed(there):
                    self._put_out(self.session.setup(self._clock.now()))
                self._tell("the synth is there" if there else "the synth is gone; the form goes on")
            case Trouble():
                self._suffer(event)
            case Request():
                self.session.handle(self._back.command(event))
            case Loaded():
                self._faults.clear("tune")
                self.session.handle(event)
                self._back.plan_came(self.session)
            case TemposKnown() | FaultsKnown():
                if isinstance(event, FaultsKnown):
                    self._notifier.status("; ".join(self._faults.details) or "all is well")
                self.session.handle(event)
                self._back.publish(self.session)
                if self._writer:
                    self._writer.write(trace_format.told(event))
            case _:
                self.session.handle(event)

    def _suffer(self, trouble: Trouble) -> None:
        """Something went wrong beside the music."""
        if trouble.cause == "tune" and self._back.plan_came(self.session, trouble.text):
            return  # who asked for that tune was told
        if trouble.cause and trouble.kind:
            self._faults.add(trouble.cause, trouble.kind, trouble.text)
        self._tell(trouble.text)

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
            if isinstance(output, Sync):
                self._rig.tell(output.to, output.data)
            elif isinstance(output, Result):
                self._rig.show(output, self.session)
                self._back.happened(output, self.session)
                if isinstance(output, Fault):
                    self._judge(output)
            elif isinstance(output, PlanWanted):
                self._back.plan_wanted(output, self._worker.ask(output))
            if self._writer and (line := self._recorder.line(output, at)):
                self._writer.write(line)

    def _judge(self, fault: Fault) -> None:
        """Something that the Session has found wrong, or mended again."""
        if fault.what:
            say(fault.what)
        if fault.over:
            self._faults.clear(fault.cause)
        else:
            self._faults.add(fault.cause, DEGRADED, fault.what)

    def _tell(self, what: str) -> None:
        say(what)
        if self._writer:
            self._writer.write(trace_format.fault(self._clock.now(), what))

    def _look_around(self) -> None:
        stopped = self.session.position is None
        self._collector.look(stopped)
        self._back.look(self.session)
        for edge in self._rig.missed(self._clock.now()) if stopped else ():
            self._inbox.put(edge)
        if self._writer and self._writer.error and not self.told_trace:
            self.told_trace = True
            say(f"{self._writer.error}; playing on without it")
            self._faults.add("trace", DEGRADED, self._writer.error)

    def _end(self) -> None:
        self._notifier.stopping()
        self._put_out(self.session.silence(self._clock.now()))

    def _hush(self) -> None:
        """No fault leaves notes hanging, and whatever state it left is not to be trusted."""
        for send in quiet_controllers(0):
            self._rig.port.send(send.data)
