"""What the players of the band share: the beat to be composed, a note, and who plays how."""

from typing import NamedTuple

from .humanize import Spread, roll, vary
from .layout import Cell, Sounding
from .lines import Tail
from .plan import Plan

PARTS = ("drums", "bass", "chords")  # the order in which simultaneous messages leave
CHANNELS = {"drums": 9, "bass": 1, "chords": 0}  # on the wire; the synth prints them one higher
# Controllers that end what sounds, in this order: sustain, all notes off (which does not end what the
# sustain pedal holds), all sound off.
SILENCE = (64, 123, 120)

TOP_FILL, PHRASE_END = -1, -2  # values of `BeatContext.fill` beside a number of beats
SOFT, FIRST_CHORUS = -20, -6  # velocity; the first chorus, and an intro, leave room to grow


class BeatContext(NamedTuple):
    """A beat to compose: where it is and what has been asked for.

    `stage` is `count`, `form`, `last` (the chorus that ends) or `hats`. `beats_in`,
    `beats_left` and `then` are the cell's unless a vamp knows better; `beats_left` is None while
    nobody knows when the chord will change. `with_tail` lets the turnaround or ending of the
    cell be played. `onto` is the chord that the figure's last pickup leads to. `fill`
    is the number of beats of fill that end the bar, or TOP_FILL or PHRASE_END. `late` is how
    many ticks into the beat a late cue lets its chord in; 0 on every other beat. `stops` is
    stop-time: everybody on beat 1, then silence. `guide` is the guide bass's volume in percent.
    `sticks` are the slots of three that the count-in is struck on.
    """

    tick: int
    chorus: int
    bar: int
    beat: int
    stage: str
    cell: Cell
    beats_in: int
    beats_left: int | None
    then: Sounding | None
    onto: int | None
    with_tail: bool
    fill: int
    hit: bool
    late: int
    soft: bool = False
    stops: bool = False
    guide: int = 100
    sticks: tuple[int, ...] = ()


class Note(NamedTuple):
    """A note: tick and end in ticks, shift in ns, part, MIDI key and velocity."""

    tick: int
    end: int
    shift: int
    part: str
    key: int
    velocity: int


class Band(NamedTuple):
    """How the plan is played: who plays, the seed of the variation, none at all if `strict`."""

    seed: int = 1
    strict: bool = False
    parts: frozenset[str] = frozenset(PARTS)
    swing: float = 0.0  # added to the feel's own


def stray(
    plan: Plan, here: BeatContext, band: Band, part: str, index: int, spread: Spread
) -> tuple[int, int]:
    """How far a note strays: shift in ns, change of velocity. Nothing but dynamics when strict."""
    level = SOFT if here.soft else FIRST_CHORUS if here.chorus <= 1 else 0
    if band.strict:
        return 0, level
    bits = roll(f"{band.seed}/{plan.tune.name}/{here.chorus}/{here.bar}/{here.beat}/{part}/{index}")
    shift, louder = vary(bits, spread)
    return shift, louder + level


def tail_of(plan: Plan, here: BeatContext) -> Tail | None:
    """The turnaround or ending that this beat plays from, if it does."""
    if not here.with_tail or here.cell.tail_beat < 0:
        return None
    return plan.tune.ending if here.stage == "last" else plan.tune.turnaround
