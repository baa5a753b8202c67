"""A Session under test: plans to play, a foot to press, outputs to look at."""

from functools import cache

from hypothesis import strategies as st

from pedal.events import (
    NS_PER_MS,
    NS_PER_S,
    BeatBegan,
    Command,
    GestureDone,
    Light,
    Press,
    Release,
    Send,
)
from pedal.library.library import Library
from pedal.music.pitch import parse_key
from pedal.music.plan import make_plan
from pedal.session.session import Session
from pedal.session.settings import SessionSettings

MS, S = NS_PER_MS, NS_PER_S


@cache
def plan(tune="wet-boots", key=None, bpm=None):
    return make_plan(Library().tune(tune), parse_key(key) if key else None, bpm)


def tap(at, switch="main"):
    return [Press(at, switch), Release(at + 80 * MS, switch)]


def double(at):
    return tap(at) + tap(at + 200 * MS)


def hold(at):
    return [Press(at), Release(at + 800 * MS)]


class Run:
    """Outputs of a Session fed with inputs, and questions to ask of them."""

    def __init__(self, inputs, until, the_plan=None, stride=None, prepare=True, **settings):
        self.plan = plan(*the_plan) if isinstance(the_plan, tuple) else the_plan or plan()
        self.session = Session(self.plan, SessionSettings(**settings))
        self.outputs = []
        waiting = sorted(inputs, key=lambda event: event.at)
        now = 0
        while now < until:
            if stride:
                after = now + stride
            else:
                after = max(now + 1, self.session.deadline() or until)
            now = min(after, until, waiting[0].at if waiting else until)
            self.outputs += self.session.take(now)
            while waiting and waiting[0].at <= now:
                self.session.handle(waiting.pop(0))
            if prepare:
                self.session.prepare(now)
        self.outputs += self.session.take(until)

    def results(self, kind):
        """The results of a type of `pedal.events`."""
        return [output for output in self.outputs if isinstance(output, kind)]

    @property
    def lights(self):
        return [output for output in self.outputs if isinstance(output, Light)]

    @property
    def sends(self):
        return [output for output in self.outputs if isinstance(output, Send)]

    def ons(self, part=None):
        return [s for s in self.sends if s.data[0] & 0xF0 == 0x90 and part in (None, s.part)]

    def beats(self):
        """(chorus, bar, beat) in order, with when each came."""
        return [(m.chorus, m.bar, m.beat, m.due) for m in self.results(BeatBegan)]

    def when(self, chorus, bar, beat=1):
        """When a beat came for the first time."""
        return next(due for c, b, t, due in self.beats() if (c, b, t) == (chorus, bar, beat))

    def answers(self):
        """(gesture, action) in order."""
        return [(m.gesture, m.action) for m in self.results(GestureDone)]


def beat_ns(the_plan=None):
    return 60 * 10**12 // (the_plan or plan()).mbpm


def bar_one(the_plan=None):
    """When bar 1 of a Session comes that is started by one tap at 0, by arithmetic."""
    beat = beat_ns(the_plan)
    count = 8 if (the_plan or plan()).mbpm > 130_000 else 4
    return min(beat * 3 // 2, 1_800 * MS) + 25 * MS + count * 60 * 10**12 // (the_plan or plan()).mbpm


# ---- random play -----------------------------------------------------------------------

_presses = st.tuples(
    st.integers(0, 60_000),
    st.sampled_from((1, 5, 30, 55, 80, 300, 710, 1500)),
    st.sampled_from(("main", "main", "main", "second")),
)


@st.composite
def feet(draw, longest_s=60):
    """Raw edges of switches, bounces included, in order of time."""
    edges = []
    for at, held, switch in draw(st.lists(_presses, max_size=25)):
        at *= MS
        edges += [Press(at, switch), Release(at + held * MS, switch)]
        for bounce in draw(st.lists(st.integers(1, 40), max_size=3)):
            edges += [Release(at + bounce * MS, switch), Press(at + bounce * MS + MS // 2, switch)]
    if draw(st.booleans()):
        edges += tap(draw(st.integers(0, 500)) * MS)
    return sorted((edge for edge in edges if edge.at < longest_s * S), key=lambda edge: edge.at)


@st.composite
def plays(draw):
    """Edges and commands, settings, a tempo."""
    inputs = draw(feet())
    for at in draw(st.lists(st.integers(0, 60_000), max_size=4)):
        inputs.append(
            draw(
                st.sampled_from(
                    (
                        Command(at * MS, "start"),
                        Command(at * MS, "stop"),
                        Command(at * MS, "cue"),
                        Command(at * MS, "last"),
                        Command(at * MS, "mode", "vamp"),
                        Command(at * MS, "mode", "through"),
                        Command(at * MS, "tempo", 97),
                        Command(at * MS, "tempo", 203.5),
                    )
                )
            )
        )
    settings = {
        "mode": draw(st.sampled_from(("through", "vamp"))),
        "step": draw(st.sampled_from(("change", "bar", "phrase"))),
        "latency_ns": draw(st.sampled_from((0, 12, 80))) * MS,
    }
    bpm = draw(st.sampled_from((40, 72, 112, 129.5, 131, 180, 260)))
    tune = draw(st.sampled_from(("wet-boots", "third-bus-home")))
    return sorted(inputs, key=lambda event: event.at), settings, (tune, None, bpm)
