"""The one loop that joins the Session to the rig.

Getting ready has an order: imports, settings, the tune; then children (the worker, a synth of
our own); then ports, pins and threads. What is missing is said once, and the box goes on with
what it has. Sends and lamp writes happen in the loop and take microseconds; files are written
elsewhere.
"""

import signal
import sys
from pathlib import Path

from . import flight
from .config import Config
from .events import NS_PER_S, Command, Input, Light, Mark, PlanWanted, Send
from .leader.session import Session
from .library import Library
from .rig.clock import RealClock
from .rig.guard import end_process_on_thread_error
from .rig.inbox import Inbox
from .rig.notify import Notifier
from .rig.trace import TraceWriter
from .rigging import Rig
from .worker import Worker, plan_for

_LOOK_NS = NS_PER_S  # how often at least the loop looks up, with nothing to play


def say(text: str) -> None:
    """Tell the player or the journal."""
    print(f"pedal: {text}", file=sys.stderr, flush=True)


def run(config: Config, desk: bool, trace: Path | None) -> int:
    """Play until told to quit. Returns the exit status. Raises RigError, BadFile or Unknown at the start."""
    plan = plan_for(Library(config.sequences), config.tune, config.key, config.tempo)
    worker = Worker(config.sequences)
    clock, inbox = RealClock(), Inbox()
    writer = None
    rig = Rig(config, clock, say)
    try:
        rig.start_children()
        end_process_on_thread_error()
        writer = TraceWriter(trace) if trace else None
        rig.open(inbox.put, desk)
        worker.start(inbox.put, clock.now)
        return _Loop(config, plan, rig, worker, writer, clock, inbox).play()
    finally:
        rig.close()
        worker.close()
        if writer:
            writer.close()
            if writer.error or writer.dropped:
                say(f"{writer.error or 'trace incomplete'} ({writer.dropped} lines lost)")
        inbox.close()


class _Loop:
    def __init__(
        self, config, plan, rig: Rig, worker: Worker, writer, clock: RealClock, inbox: Inbox
    ) -> None:
        self._rig, self._worker, self._writer = rig, worker, writer
        self._clock, self._inbox = clock, inbox
        self._notifier = Notifier()
        self._session = Session(plan, config.session, config.play.seed, clock.now())
        self._last_at = 0
        self._quit = False
        self._told_trace = False
        if writer:
            writer.write(flight.header(plan, config.play.mode, config.play.seed))

    def play(self) -> int:
        """The loop itself."""
        clock, inbox, session = self._clock, self._inbox, self._session
        for number in (signal.SIGTERM, signal.SIGINT):
            signal.signal(number, lambda *_: inbox.put(Command(clock.now(), "quit")))
        self._begin()
        watch = self._notifier.watchdog_interval_ns() or _LOOK_NS
        look = clock.now() + watch
        while not self._quit:
            for event in sorted(inbox.drain(), key=lambda event: event.at):
                self._take_in(event)
            for output in session.take(clock.now()):
                self._put_out(output)
            now = clock.now()
            session.prepare(now)
            if now >= look:
                self._notifier.watchdog()
                self._look_around()
                look = now + watch
            deadline = session.deadline()
            inbox.wait(look if deadline is None else min(deadline, look))
        self._end()
        return 0

    def _begin(self) -> None:
        plan = self._session.plan
        say(
            f"ready: {plan.tune.title} in {plan.key}, {plan.mbpm / 1000:g} beats a minute, "
            f"{self._session.settings.mode}; {self._rig.describe()}"
        )
        self._notifier.ready()
        self._notifier.status(f"ready: {plan.tune.title} in {plan.key}")

    def _take_in(self, event: Input) -> None:
        # Threads deliver a little out of order; the Session wants time to go forward.
        self._last_at = max(self._last_at, event.at)
        event = event._replace(at=self._last_at)
        if not isinstance(event, Command):
            self._session.handle(event)
        elif event.name == "quit":
            self._quit = True
        elif event.name == "port":
            if self._rig.port_changed(event.value):
                for send in self._session.setup(self._clock.now()):
                    self._put_out(send)
            self._fault("the synth is there" if event.value else "the synth is gone; the form goes on")
        elif event.name == "fault":
            self._fault(str(event.value))
        else:
            self._session.handle(event)

    def _put_out(self, output) -> None:
        sent = None
        if isinstance(output, Send):
            self._rig.port.send(output.data)
            sent = self._clock.now()
        elif isinstance(output, Light):
            self._rig.light(output.lamp, output.lit)
        elif isinstance(output, Mark):
            self._rig.show(output, self._session.position)
        elif isinstance(output, PlanWanted):
            self._worker.ask(output.tune, output.key)
        if self._writer and (line := flight.line(output, sent)):
            self._writer.write(line)

    def _fault(self, what: str) -> None:
        say(what)
        if self._writer:
            self._writer.write(flight.fault(self._clock.now(), what))

    def _look_around(self) -> None:
        if self._writer and self._writer.error and not self._told_trace:
            self._told_trace = True
            say(f"{self._writer.error}; playing on without it")

    def _end(self) -> None:
        self._notifier.stopping()
        for output in self._session.silence(self._clock.now()):
            self._put_out(output)
