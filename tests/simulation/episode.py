"""One episode: a box, a foot and a world, watched. And how a failing one is shrunk."""

import random
import re
import traceback
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path

from pedal.events import NS_PER_S as S
from pedal.events import Command, Input, PlanWanted, Press, Release
from pedal.library.foot_script import parse_foot

from .form import Broken
from .machine import Machine
from .watch import Watch
from .world import EPISODE_S, Stage, answer, happenings, saved, stage

RESTART, UNPLUG = "restart", "unplug"


@dataclass
class Outcome:
    """What an episode came to: the inputs as they fell, and what broke, if anything."""

    stage: Stage
    inputs: list[Input] = field(default_factory=list)
    broken: str = ""
    counts: dict[str, int] = field(default_factory=dict)


def play(seed: int, seconds: int = EPISODE_S) -> Outcome:
    """An episode made up on the way."""
    dice = random.Random(seed)
    box = stage(dice)
    run = _Run(box, Machine(box.led) if box.led is not None else None)
    try:
        while run.session.now < seconds * S:
            happening = happenings(dice, run.session, seconds * S, box)
            for inputs in happening:
                run.feed(inputs)
                if dice.random() < 0.01:
                    run.feed([Command(run.session.now + 1, dice.choice((RESTART, UNPLUG)))])
                    break  # the world goes on around another Session
        run.rest(seconds * S)
    except Broken as broken:
        run.outcome.broken = str(broken)
    except Exception as error:
        run.outcome.broken = _where(error)
    return run.outcome


def replay(box: Stage, inputs: Iterable[Input]) -> str:
    """Play given inputs on a box; returns what broke, or nothing."""
    run = _Run(box)
    try:
        for event in inputs:
            run.feed([event])
        run.rest(run.session.now + 20 * S)
    except Broken as broken:
        return str(broken)
    except Exception as error:
        return _where(error)
    return ""


def _where(error: Exception) -> str:
    """What went wrong in the code itself, and in which line."""
    last = traceback.extract_tb(error.__traceback__)[-1]
    return f"{type(error).__name__}: {error} ({Path(last.filename).name}:{last.lineno})"


def _kind(broken: str) -> str:
    """What broke, without where."""
    return re.sub("[0-9]+", "", broken.split(":")[0])


def shrink(box: Stage, inputs: Sequence[Input], tries: int = 600) -> tuple[Stage, list[Input]]:
    """A plainer box and a shorter list of inputs that break in the same way.

    Halves, quarters, … of the inputs are left out while it does, and at last the set. All are kept if it
    takes the other machine itself to see it.
    """
    kept, wrong = list(inputs), _kind(replay(box, inputs))
    size = max(1, len(kept) // 2)
    while size and tries > 0:
        start = 0
        while start < len(kept) and tries > 0:
            tries -= 1
            fewer = kept[:start] + kept[start + size :]
            if wrong and _kind(replay(box, fewer)) == wrong:
                kept = fewer
            else:
                start += size
        size //= 2
    plain = replace(box, entries=())
    return (plain if wrong and _kind(replay(plain, kept)) == wrong else box), kept


def script(inputs: Iterable[Input]) -> tuple[str, list[Input]]:
    """Inputs as a foot script for `pedal simulate`, and those that it has no words for."""
    words, rest = [], []
    for event in inputs:
        if word := _word(event):
            words.append(word)
        else:
            rest.append(event)
    return ",".join(words), rest


def _word(event: Input) -> str:
    seconds = f"{event.at // S}.{event.at % S:09}"
    if isinstance(event, Press | Release):
        switch = "" if event.switch == "main" else f"/{event.switch}"
        word = f"{type(event).__name__.lower()}@{seconds}{switch}"
    elif isinstance(event, Command):
        value = "+".join(event.value) if isinstance(event.value, list) else event.value
        word = f"{event.name}@{seconds}" if value is None else f"{event.name}={value}@{seconds}"
    else:
        return ""
    try:
        return word if parse_foot(word) == [event] else ""
    except ValueError:
        return ""


class _Run:
    def __init__(self, box: Stage, machine: Machine | None = None) -> None:
        self.box = box
        self.session = box.session()
        self.watch = Watch(self.session, box.seed, machine)
        self.outcome = Outcome(box, counts=self.watch.counts)
        self._machine = machine

    def feed(self, inputs: Iterable[Input]) -> None:
        """Take up to each input, then give it; another machine's clocks come between."""
        for event in inputs:
            at = max(event.at, self.session.now)
            self._hear(at)
            self._take(at)
            event = event._replace(at=at)
            self.outcome.inputs.append(event)
            if isinstance(event, Command) and event.name == RESTART:
                self._restart(at)
            elif isinstance(event, Command) and event.name == UNPLUG:
                self.session.setup(at)
            else:
                self._give(event)

    def rest(self, until: int) -> None:
        """Let it play on without another input, then end it: nothing may be left sounding."""
        until = max(until, self.session.now)
        self._hear(until)
        self._take(until)
        self.watch.end(until)
        self.watch.close(until)

    def _hear(self, until: int) -> None:
        for event in self._machine.until(until) if self._machine else ():
            event = event._replace(at=max(event.at, self.session.now))
            self._take(event.at)
            self.outcome.inputs.append(event)
            self._give(event)

    def _give(self, event: Input) -> None:
        self.watch.saw(event)
        self.session.handle(event)
        self.session.prepare(event.at)

    def _take(self, until: int) -> None:
        while self.box.entries and self.session.now + S < until:  # a plan that is wanted comes soon
            self._take_all(self.session.now + S)
        self._take_all(until)

    def _take_all(self, until: int) -> None:
        outputs = self.session.take(until)
        self.watch.check(outputs)
        for output in outputs:
            if isinstance(output, PlanWanted):
                if loaded := answer(output, until):
                    self.session.handle(loaded)
                else:
                    self.watch.no_plan()
        self.watch.come_to(until)

    def _restart(self, at: int) -> None:
        self.watch.end(at)
        self.box = saved(self.session, self.box)
        self.session = self.box.session(at)
        self.watch.restart(self.session)


def check_hours(first: int, hour: int, hours: int) -> dict[str, int]:
    """Play some hours from one on, of those that begin with the seed `first`; what there was, counted.

    Raises AssertionError if anything breaks, or if too little was seen to judge.
    """
    seeds = range(first + hour * 3600 // EPISODE_S, first + (hour + hours) * 3600 // EPISODE_S)
    outcomes = {seed: play(seed) for seed in seeds}
    assert {seed: out.broken for seed, out in outcomes.items() if out.broken} == {}
    counts = {what: sum(out.counts.get(what, 0) for out in outcomes.values()) for what in _SEEN}
    assert all(counts[what] > least * hours for what, least in _SEEN.items()), counts
    return counts


# What an hour has more of.
_SEEN = {"notes": 10_000, "cues right": 8, "stops": 20}
