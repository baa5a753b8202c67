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

from ..events import Loaded, PlanWanted, Trouble
from ..library.library import Library
from ..library.plans import plan_for
from ..music.neck.fingerboard import FOUR, Instrument
from .faults import BAD_FILE, DEGRADED

_MOST = 16  # requests that wait
_CLOSE_S = 1.0


class Worker:
    """Makes plans elsewhere. `ask`; the answer comes through `put` as Loaded or as Trouble.


    One request at a time is in the pipe, so it always fits; the others wait here. A newer one takes
    the place of one that waits for the same tune, so that a worker that hangs, or a foot that hurries,
    leaves no queue. Where a chorus leads to is asked for beside that (`lead`): the player's wish for another
    key must not take the circle's next one away, nor the other way round. Another tune takes
    nobody's place: who goes on in the set and then asks for a key gets both, as they were asked for; only
    when too many wait the oldest is dropped.
    """

    def __init__(self, own: Path | None, instrument: Instrument = FOUR) -> None:
        context = multiprocessing.get_context("fork")
        self._pipe, theirs = context.Pipe()
        self._process = context.Process(
            target=_work, args=(self._pipe, theirs, own, instrument), daemon=True, name="plans"
        )
        self._process.start()
        theirs.close()
        self._lock = threading.Lock()  # for moments: nobody sends while holding it
        self._busy = False  # it has a request; who makes it so is the only one that may send
        self._waiting: dict[tuple[str, bool], PlanWanted] = {}  # the oldest first

    def start(self, put: Callable[[Loaded | Trouble], None], now: Callable[[], int]) -> None:
        """From now on deliver answers. Starts the one thread that waits for them."""

        def listen() -> None:
            try:
                while True:
                    plan, error = self._pipe.recv()
                    self._send_next()
                    put(Loaded(now(), plan) if plan else Trouble(now(), error, "tune", BAD_FILE))
            except EOFError:
                put(Trouble(now(), "no other tune or key can be loaded", "worker", DEGRADED))
            except OSError:
                return  # we have closed it ourselves

        threading.Thread(target=listen, name="plans", daemon=True).start()

    def ask(self, wanted: PlanWanted) -> PlanWanted | None:
        """Want a plan. Never waits for it. Answers come in the order of asking.

        Returns an earlier request that gives way to this one, and gets no answer any more.
        """
        with self._lock:
            if self._busy:
                kind = wanted.tune, wanted.lead is not None
                dropped = self._waiting.pop(kind, None)
                if len(self._waiting) >= _MOST:
                    dropped = self._waiting.pop(next(iter(self._waiting)))
                self._waiting[kind] = wanted
                return dropped
            self._busy = True
        self._send(wanted)
        return None

    def _send_next(self) -> None:
        """An answer is here: on to the request that has waited longest."""
        with self._lock:
            self._busy = bool(self._waiting)
            wanted = self._waiting.pop(next(iter(self._waiting))) if self._busy else None
        if wanted:
            self._send(wanted)

    def _send(self, wanted: PlanWanted) -> None:
        try:
            self._pipe.send((wanted.tune, wanted.key, wanted.mbpm, wanted.lead))
        except OSError:
            pass  # the worker is gone; the old plan plays on

    def close(self) -> None:
        """End the process, also one that hangs."""
        self._pipe.close()
        self._process.terminate()
        self._process.join(_CLOSE_S)
        self._process.kill()  # one that was stopped hears nothing else
        self._process.join(_CLOSE_S)


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
