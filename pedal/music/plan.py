"""The plan: a tune worked out in a key, ready to be played beat by beat.

Everything that costs thought (chords, voicings, where the bass takes its roots) is done here,
once, outside the loop. What remains per beat is looking up a `layout.Cell` and reading grids.
"""

from dataclasses import dataclass
from typing import NamedTuple

from .degrees import Chord, Degree, resolve
from .feels import Feel
from .forms import Span
from .layout import Cell, Layout, Sounding
from .lines import Tail
from .neck.bass_line import Fingered, Parts, finger
from .neck.fingerboard import FOUR, Instrument
from .pitch import Key
from .tune import Tune
from .voicing import candidates, smoothest

STEP_KINDS = ("change", "bar", "phrase")


@dataclass(frozen=True, slots=True)
class Plan:
    """A tune in a key. `layout` is any chorus but the last, `last` the one with the ending.

    `neck` is its bass line on an instrument, which `roots` and `tonic` come from.
    """

    tune: Tune
    key: Key
    mbpm: int
    chords: tuple[Chord, ...]
    layout: Layout
    last: Layout
    neck: Fingered
    steps: dict[str, tuple[int, ...]]
    follow: "Plan | None" = None

    @property
    def feel(self) -> Feel:
        return self.tune.feel

    @property
    def roots(self) -> tuple[int, ...]:
        """Where the bass takes the root of each chord, as a MIDI key."""
        return self.neck.roots

    @property
    def tonic(self) -> int:
        """What the lines of turnaround and ending count from, as a MIDI key."""
        return self.neck.tonic

    @property
    def turnaround_bar(self) -> int:
        """First bar of the turnaround; past the form's end if the tune has none."""
        tail = self.tune.turnaround
        return len(self.layout) + 1 - (tail.start if tail else 0)

    @property
    def ending_bar(self) -> int:
        """First bar of the ending."""
        return len(self.layout) + 1 - self.tune.ending.start

    @property
    def intro_bar(self) -> int:
        """The bar of the form that an intro starts from; 0 if there is none."""
        starts = {
            "turnaround": min(self.turnaround_bar, len(self.layout) - 1),
            "from-v": self.tune.form.phrases[-1],
        }
        return starts.get(self.tune.intro, 0)

    def step_start(self, kind: str, bar: int) -> int:
        """The first bar of the vamp step that `bar` lies in."""
        return max(start for start in self.steps[kind] if start <= bar)

    def next_step(self, kind: str, bar: int) -> int:
        """The first bar of the step after the one `bar` lies in; 1 at the wrap."""
        return min((start for start in self.steps[kind] if start > bar), default=1)


def make_plan(
    tune: Tune,
    key: Key | None = None,
    bpm: float | None = None,
    instrument: Instrument = FOUR,
    lead: Key | None = None,
) -> Plan:
    """Work a tune out, in its own key and at its own tempo unless told otherwise.

    With `lead` the last bar of a chorus is the V7 of that key, and the chorus after it is in it
    (`Plan.follow`).
    """
    key = key or tune.key
    chords: list[Chord] = []
    layout = _lay_out(tune, key, tune.turnaround, chords, wraps=True, lead=lead)
    last = _lay_out(tune, key, tune.ending, chords, wraps=False)
    mbpm = round((bpm or tune.bpm) * 1000)
    parts = Parts(
        key=key,
        bpm=mbpm / 1000,
        feel=tune.feel,
        figure=tune.figure,
        turnaround=tune.turnaround,
        ending=tune.ending,
        chords=tuple(chords),
        layout=layout,
        last=last,
        pins=tune.pickups,
    )
    return Plan(
        tune=tune,
        key=key,
        mbpm=mbpm,
        chords=parts.chords,
        layout=layout,
        last=last,
        neck=finger(parts, instrument),
        steps={
            "bar": tuple(range(1, len(layout) + 1)),
            "phrase": tune.form.phrases,
            "change": _change_bars(layout),
        },
        follow=make_plan(tune, lead, bpm, instrument) if lead else None,
    )


def _change_bars(layout: Layout) -> tuple[int, ...]:
    """Bars whose first chord differs from the bar before; bar 1 is always one."""
    places = [(bar[0].form_chord, bar[-1].form_chord) for bar in layout]
    return (1, *(n for n in range(2, len(places) + 1) if places[n - 1][0] != places[n - 2][1]))


class _Laid(NamedTuple):
    """A span at its place in the chorus: `at` in beats from the first bar line."""

    at: float
    degree: Degree
    passing: bool
    plain: bool
    foreign: bool = False  # in the key of the next chorus


def _spans(tune: Tune, tail: Tail | None) -> tuple[list[_Laid], int, int]:
    """All spans of a chorus, its length in bars, and the bar index where the tail starts."""
    beats = tune.feel.beats
    bars = list(tune.form.bars)
    first = len(bars) - (tail.start if tail else 0)
    laid: list[_Laid] = []

    def add(index: int, bar: tuple[Span, ...], plain: bool) -> None:
        laid.extend(_Laid(index * beats + span.beat, span.degree, span.passing, plain) for span in bar)

    for index, bar in enumerate(bars[:first]):
        add(index, bar, False)
    for index, bar in enumerate(tail.bars if tail else ()):
        add(first + index, bar, True)
    return laid, first + (len(tail.bars) if tail else 0), first


def _lay_out(
    tune: Tune, key: Key, tail: Tail | None, chords: list[Chord], wraps: bool, lead: Key | None = None
) -> Layout:
    laid, bar_count, tail_bar = _spans(tune, tail)
    own = bar_count * tune.feel.beats  # beats in this key
    if lead:
        own -= tune.feel.beats
        dominant = _Laid(own, Degree(5, 0, "7"), False, True, foreign=True)
        first = laid[0]._replace(at=own + tune.feel.beats, foreign=True)
        laid = [*(span for span in laid if span.at < own), dominant, first]
    # A chord that is only written again is one span: the figure goes on through it. Not into a
    # turnaround or ending, whose line takes over and under which the chords go without colour.
    spans = [span for index, span in enumerate(laid) if index == 0 or span[1:] != laid[index - 1][1:]]
    resolved = [resolve(span.degree, lead if lead and span.foreign else key) for span in spans]
    for chord in resolved:
        if chord not in chords:
            chords.append(chord)
    numbers = [chords.index(chord) for chord in resolved]
    voicings = smoothest(
        [
            candidates(chord, 0 if span.plain else tune.feel.extension, key.minor)
            for chord, span in zip(resolved, spans, strict=True)
        ]
    )
    beats, total = tune.feel.beats, bar_count * tune.feel.beats
    starts = [span.at for span in spans]
    sounding = [Sounding(at % beats, n, v) for at, n, v in zip(starts, numbers, voicings, strict=True)]

    def cell(beat: int) -> Cell:
        within = [i for i, at in enumerate(starts) if beat < at < beat + 1]
        now = max(i for i, at in enumerate(starts) if at <= beat)
        here = next(i for i in range(now, -1, -1) if not spans[i].passing)
        ends = starts[now + 1] if now + 1 < len(starts) else total
        follows = sounding[now + 1] if now + 1 < len(starts) else (sounding[0] if wraps else None)
        ahead = [(starts[i] - beat, numbers[i]) for i in range(now + 1, len(starts)) if not spans[i].passing]
        if wraps:
            ahead += [
                (starts[i] + total - beat, numbers[i]) for i in range(len(starts)) if not spans[i].passing
            ]
        coming_in, coming = next(((d, n) for d, n in ahead if n != numbers[here] and d >= 1), (0, -1))
        heard = tuple(sounding[i] for i in (now, *within))
        return Cell(
            sounding=heard,
            form_chord=numbers[here],
            beats_in=int(beat - starts[now]),
            beats_left=max(1, int(ends - beat)),
            then=follows,
            coming=coming,
            coming_in=int(coming_in),
            tail_beat=beat - tail_bar * beats if tail and tail_bar * beats <= beat < own else -1,
        )

    return tuple(tuple(cell(bar * beats + beat) for beat in range(beats)) for bar in range(bar_count))
