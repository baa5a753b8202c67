"""A hostile world on a simulated clock: one episode is a box, a foot, and what happens to them.

An episode is a pure function of its seed: `stage` chooses the box (tune, key, tempo, mode, foot
map) and `happenings` makes up, while it plays, what comes next. What came is kept as a list of
inputs with absolute times, so that a failing episode can be replayed and shrunk.
"""

import random
from collections.abc import Iterator
from dataclasses import dataclass, replace
from functools import cache
from typing import Any

from pedal.events import NS_PER_MS as MS
from pedal.events import NS_PER_S as S
from pedal.events import Command, Input, Loaded, PlanWanted, Press, Release
from pedal.library.library import Library
from pedal.music.pitch import MAJOR_KEYS, MINOR_KEYS, parse_key
from pedal.music.plan import Plan, make_plan
from pedal.session.foot_map import PRESETS
from pedal.session.session import Session
from pedal.session.setlist import Entry
from pedal.session.settings import SessionSettings

EPISODE_S = 600
LIBRARY = Library()
TUNES = tuple(LIBRARY.names("tune"))
SWITCHES = {"one": ("main",), "two": ("main", "second"), "four": ("main", "second", "third", "fourth")}
# Bounce of switches: 1.56 ms on average, 6.2 ms at most (Ganssle 2004); a foot pedal 11 to 40 ms
# (open measurements, adamfk/bouncy-button-data issue 14).
BOUNCES_MS = (0, 1.56, 6.2, 11, 40.3)


@cache
def plan_of(tune: str, key: str | None, bpm: float | None, lead: str | None = None) -> Plan:
    leads = parse_key(lead) if lead else None
    return make_plan(LIBRARY.tune(tune), parse_key(key) if key else None, bpm, lead=leads)


@dataclass(frozen=True)
class Stage:
    """The box of an episode."""

    tune: str
    key: str
    bpm: float
    settings: SessionSettings
    preset: str
    seed: int
    entries: tuple[Entry, ...] = ()
    led: int | None = None  # the seed of another machine whose clock leads

    def session(self, now: int = 0) -> Session:
        return Session(
            plan_of(self.tune, self.key, self.bpm),
            self.settings,
            self.seed,
            now,
            PRESETS[self.preset],
            self.entries,
        )

    def file(self) -> dict[str, Any]:
        """The box as a settings file, but for a set and another machine, which were made up."""
        own = self.settings
        pins = {name: {"pin": 17 + number} for number, name in enumerate(SWITCHES[self.preset])}
        return {
            "tune": self.tune,
            "key": self.key,
            "tempo": self.bpm,
            "play": {
                "mode": own.mode,
                "step": own.step,
                "use": own.use,
                "guide": own.guide,
                "mark": own.mark,
                "ramp": own.ramp / 10,
                "seed": self.seed,
            },
            "synth": {"latency_ms": own.latency_ns / MS},
            "switches": pins,
            "foot": {"preset": self.preset},
            "clock": {"out": "clock"} if own.clock_out else {},
            "follow": {"out": "lamps"} if own.follow_out else {},
        }


def stage(dice: random.Random) -> Stage:
    """Choose a box."""
    tune = dice.choice(TUNES)
    written = LIBRARY.tune(tune)
    settings = SessionSettings(
        mode=dice.choice(("through", "vamp", "vamp", "drill")),
        step=dice.choice(("change", "bar", "phrase")),
        use=dice.choice(("practice", "band")),
        latency_ns=dice.choice((0, 0, 9, 60)) * MS,
        guide=dice.choice(("on", "on", "off", "alternate", "fading")),
        mark=dice.choice(("missed", "clean")),
        ramp=dice.choice((0, 0, 30)),
        clock_out=dice.random() < 0.25,
        follow_out=dice.random() < 0.25,
    )
    keys = MINOR_KEYS if written.key.minor else MAJOR_KEYS
    entries = dice.choice((_set, _routine, _shipped))(dice)
    return Stage(
        tune,
        dice.choice(keys),
        dice.choice((written.bpm, written.bpm, 40, 67.5, 96, 131, 180, 259)),
        settings,
        dice.choice(tuple(PRESETS)),
        dice.randrange(1000),
        entries if dice.random() < 0.4 else (),
        dice.randrange(1000) if dice.random() < 0.12 else None,
    )


def _set(dice: random.Random) -> tuple[Entry, ...]:
    return tuple(Entry(dice.choice(TUNES), mode=dice.choice((None, "vamp", "through"))) for _ in range(3))


def _routine(dice: random.Random) -> tuple[Entry, ...]:
    """Short steps that go on by themselves, often in another key."""
    tune = dice.choice(TUNES)
    steps = (
        Entry(tune, mode="through", choruses=1, goes_on=True),
        Entry(tune, mode="through", choruses=1, up=dice.choice((5, -2, 1)), goes_on=True),
        Entry(tune, mode="through", choruses=2, mbpm=200_000, goes_on=True),
        Entry(tune, mode="through", choruses=3, circle=True, goes_on=True),
        Entry(tune, mode="drill", hardest=1, goes_on=True),
        Entry(tune, mode="vamp", goes_on=True),
    )
    return tuple(dice.choice(steps) for _ in range(5))


def _shipped(dice: random.Random) -> tuple[Entry, ...]:
    kind = dice.choice(("set", "routine", "routine"))
    return getattr(LIBRARY, kind)(dice.choice(LIBRARY.names(kind))).entries


COMMANDS = (
    ("start", (None,)),
    ("stop", (None,)),
    ("cue", (None,)),
    ("back", (None,)),
    ("last", (None,)),
    ("again", (None,)),
    ("soft", (None,)),
    ("stop-time", (None,)),
    ("tempo", (40, 92, 133.3, 260, "fast")),
    ("tempo-up", (None,)),
    ("mode", ("through", "vamp", "drill", "sideways")),
    ("parts", (["drums"], ["drums", "bass", "chords"], None)),
    ("guide", (None,)),
    ("key", ("A", "Bb", "C")),
    ("next-entry", (None,)),
    ("nonsense", (None,)),
)


def happenings(dice: random.Random, session: Session, until: int, box: Stage) -> Iterator[list[Input]]:
    """What the world does next, one happening after another, each as inputs in order of time."""
    now, preset = session.now, box.preset
    stuck: dict[str, int] = {}
    while now < until:
        now = max(now, session.now) + 1
        at = _instant(dice, session, now)
        kind = dice.random()
        switch = dice.choice(SWITCHES[preset])
        if switch in stuck and dice.random() < 0.5:
            at = max(at, stuck.pop(switch))
            yield [Release(at, switch)]
        elif kind < 0.67:
            yield _press(dice, at, switch)
        elif kind < 0.72:  # a foot in a hurry
            for _ in range(dice.randrange(2, 6)):
                yield _press(dice, at, switch)
                at += dice.randrange(360, 1500) * MS
        elif kind < 0.77 and len(SWITCHES[preset]) > 1:
            other = dice.choice(SWITCHES[preset])
            both = _press(dice, at, switch) + _press(dice, at + dice.randrange(0, 90) * MS, other)
            yield sorted(both, key=lambda event: event.at)
        elif kind < 0.80:
            stuck[switch] = at + dice.randrange(1, 20) * S
            yield [Press(at, switch)]
        elif kind < 0.83:  # a latching switch: every change of level is one tap
            yield [Press(at, switch), Release(at, switch)]
        elif kind < 0.86 and box.entries:  # a routine is left alone for a while
            at += dice.randrange(30, 120) * S
            yield [Command(at, "guide", None)]
        else:
            name, values = dice.choice(COMMANDS)
            yield [Command(at, name, dice.choice(values))]
        now = at


def _instant(dice: random.Random, session: Session, now: int) -> int:
    """A moment to come: bar lines within 200 ms more often than anything else."""
    position, timeline = session.position, session.timeline
    if position is None or timeline is None or dice.random() < 0.25:
        return now + int(dice.expovariate(1 / 4) * S)
    feel = session.plan.feel
    line = position.tick + (feel.beats - position.beat + 1 + feel.beats * dice.randrange(4)) * feel.ticks
    edge = dice.choice((0, 0, -5, -10, -20, 20, -40, 150, -150, 200, -200, dice.uniform(-200, 200)))
    return max(now, timeline.at(line) + int(edge * MS) + dice.randrange(-2, 3))


def _press(dice: random.Random, at: int, switch: str) -> list[Input]:
    """A press with its bounce: a tap, a double or a hold."""
    held = dice.choice((60, 80, 80, 120, 300, 690, 710, 1500)) * MS
    edges = _edge(dice, at, switch, True) + _edge(dice, at + held, switch, False)
    if dice.random() < 0.25:
        again = at + held + dice.choice((60, 120, 200, 349, 351)) * MS
        edges += _edge(dice, again, switch, True) + _edge(dice, again + 80 * MS, switch, False)
    return sorted(edges, key=lambda event: event.at)


def _edge(dice: random.Random, at: int, switch: str, down: bool) -> list[Input]:
    clean, bounced = (Press, Release) if down else (Release, Press)
    edges: list[Input] = [clean(at, switch)]
    if burst := dice.choice(BOUNCES_MS):
        times = sorted(dice.uniform(0, burst) for _ in range(2 * dice.randrange(1, 5)))
        for one, two in zip(times[::2], times[1::2], strict=True):
            edges += [bounced(at + int(one * MS), switch), clean(at + int(two * MS), switch)]
    return edges


def answer(wanted: PlanWanted, at: int) -> Loaded | None:
    """The plan that was asked for; None where the box would answer with a fault."""
    try:
        bpm = wanted.mbpm and wanted.mbpm / 1000
        return Loaded(at, plan_of(wanted.tune, wanted.key, bpm, wanted.lead))
    except (LookupError, ValueError):
        return None


def saved(session: Session, box: Stage) -> Stage:
    """The box as it comes up again after a restart: tune, key and mode as they were."""
    plan = session.plan
    return replace(
        box,
        tune=plan.tune.name,
        key=str(plan.key),
        bpm=plan.mbpm / 1000,
        settings=replace(box.settings, mode=session.settings.mode),
    )
