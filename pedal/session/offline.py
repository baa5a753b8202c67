"""The Session without hardware: a clock that jumps from deadline to deadline."""

from collections.abc import Callable, Iterable, Iterator

from ..events import Input, Loaded, Output, PlanWanted
from ..music.plan import Plan
from .session import Session


def drive(
    session: Session,
    inputs: Iterable[Input],
    until: int,
    make_plan: Callable[..., Plan] | None = None,
) -> Iterator[Output]:
    """Run a Session from deadline to deadline up to `until` ns, feeding it inputs on the way.

    A wanted plan is made at once by `make_plan(tune, key, bpm, lead=…)`; without one the wish is dropped.
    """
    waiting = sorted(inputs, key=lambda event: event.at)[::-1]
    now = session.now
    while now < until:
        deadline = session.deadline()
        then = until if deadline is None else min(until, deadline)
        now = max(now, min(then, waiting[-1].at) if waiting else then)
        for output in session.take(now):
            yield output
            if isinstance(output, PlanWanted) and make_plan:
                session.handle(Loaded(now, _made(make_plan, output)))
        while waiting and waiting[-1].at <= now:
            session.handle(waiting.pop())
        session.prepare(now)


def _made(make_plan: Callable[..., Plan], wanted: PlanWanted) -> Plan:
    return make_plan(wanted.tune, wanted.key, wanted.mbpm and wanted.mbpm / 1000, lead=wanted.lead)
