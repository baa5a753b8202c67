"""The worker: plans are made in a process of their own, at normal priority.

Working out a tune takes too long for the loop on a small board, and a thread would hold the
interpreter's lock while a note is due. The process is forked first, before anything is raised
in priority, before threads, ports and pins (a fork after importing lgpio would break it).
"""

import multiprocessing
import signal
import threading
from collections.abc import Callable
from multiprocessing.connection import Connection
from pathlib import Path

from ..events import Command, Loaded
from ..library.library import Library
from ..music.neck.fingerboard import FOUR, Instrument
from ..music.pitch import parse_key
from ..music.plan import Plan, make_plan
from .faults import BAD_FILE, DEGRADED


def plan_for(
    library: Library,
    name: str,
    key: str | None = None,
    bpm: float | None = None,
    instrument: Instrument = FOUR,
    lead: str | None = None,
) -> Plan:
    """The plan of a tune by name. Raises Unknown, BadFile, or ValueError for a key that does not fit."""
    tune = library.tune(name)
    wanted = parse_key(key) if key else tune.key
    if wanted.minor != tune.key.minor:
        kinds = ("a minor", "a major") if wanted.minor else ("a major", "a minor")
        raise ValueError(f"{wanted} is {kinds[0]} key, and {name} {kinds[1]} tune")
    return make_plan(tune, wanted, bpm, instrument, parse_key(lead) if lead else None)


class Worker:
    """Makes plans elsewhere. `ask`; the answer comes through `put` as Loaded or a fault Command.

    The value of such a Command is `(cause, kind, words)`, as in `pedal.service.faults`.
    """

    def __init__(self, own: Path | None, instrument: Instrument = FOUR) -> None:
        context = multiprocessing.get_context("fork")
        self._pipe, theirs = context.Pipe()
        self._process = context.Process(
            target=_work, args=(self._pipe, theirs, own, instrument), daemon=True, name="plans"
        )
        self._process.start()
        theirs.close()

    def start(self, put: Callable[[Loaded | Command], None], now: Callable[[], int]) -> None:
        """From now on deliver answers. Starts the one thread that waits for them."""

        def listen() -> None:
            try:
                while True:
                    plan, error = self._pipe.recv()
                    fault = ("tune", BAD_FILE, error)
                    put(Loaded(now(), plan) if plan else Command(now(), "fault", fault))
            except EOFError:
                put(Command(now(), "fault", ("worker", DEGRADED, "no other tune or key can be loaded")))
            except OSError:
                return  # we have closed it ourselves

        threading.Thread(target=listen, name="plans", daemon=True).start()

    def ask(self, tune: str, key: str | None, mbpm: int | None = None, lead: str | None = None) -> None:
        """Want a plan, in another key or at another tempo than the tune's own. Never waits for it."""
        try:
            self._pipe.send((tune, key, mbpm, lead))
        except OSError:
            pass  # the worker is gone; the old plan plays on

    def close(self) -> None:
        """End the process."""
        self._pipe.close()
        self._process.terminate()
        self._process.join(1)


def _work(parents: Connection, pipe: Connection, own: Path | None, instrument: Instrument) -> None:
    parents.close()  # else we would keep the pipe open ourselves, and outlive a parent that was killed
    for number in (signal.SIGINT, signal.SIGTERM):
        signal.signal(number, signal.SIG_DFL if number == signal.SIGTERM else signal.SIG_IGN)
    library = Library(own)
    while True:
        try:
            tune, key, mbpm, lead = pipe.recv()
        except (EOFError, OSError):
            return
        try:
            pipe.send((plan_for(library, tune, key, mbpm and mbpm / 1000, instrument, lead), None))
        except (LookupError, ValueError) as error:
            pipe.send((None, str(error)))
