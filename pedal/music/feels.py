"""Feels: how the band plays a form. Data only; what is made of them is in `drums`, `comping`."""

from collections.abc import Mapping
from dataclasses import dataclass, field
from itertools import pairwise
from typing import NamedTuple

from .grid import QUARTER

# Names in grooves, and the key each has in the percussion map of General MIDI level 1.
DRUM_KEYS = {
    "kick": 36,
    "side-stick": 37,
    "snare": 38,
    "hat": 42,
    "hat-foot": 44,
    "hat-open": 46,
    "ride": 51,
    "ride-bell": 53,
    "crash": 49,
    "tom-floor": 43,
    "tom-low": 45,
    "tom-mid": 47,
    "tom-high": 50,
    "tambourine": 54,
    "cowbell": 56,
    "conga-mute": 62,
    "conga": 63,
    "conga-low": 64,
    "maracas": 70,
    "claves": 75,
}
DRUM_CELLS = "-gsxX"  # rest, ghost note, soft stroke, stroke, accent
DRUM_LEVELS = {"g": 34, "s": 56, "x": 78, "X": 108}
LOUD = DRUM_LEVELS["x"]  # what is softer marks no beat
COMP_CELLS = "-xX=a"  # rest, stab, accented stab, held on, anticipates the coming chord

# How the beat is halved: evenly, by a long and a short eighth, or the more evenly the faster it goes.
PULSES = ("straight", "shuffle", "swing")

# Controller 7 of each part at the start, unless the feel says otherwise; General MIDI begins at 100.
VOLUMES = {"drums": 104, "bass": 96, "chords": 92}


@dataclass(frozen=True, slots=True)
class Stroke:
    """One drum stroke in a beat: slot `slot` of `slots`, MIDI key and velocity."""

    slot: int
    slots: int
    key: int
    velocity: int


DrumBeat = tuple[Stroke, ...]


@dataclass(frozen=True, slots=True)
class Stab:
    """A chord struck in a beat at slot `slot` of `slots` and held for `length` of them.

    `ahead`: it is the coming chord's if the chord changes on the next beat.
    """

    slot: int
    slots: int
    length: int
    accent: bool
    ahead: bool


class SwingPoint(NamedTuple):
    """The swing (long eighth over short) at a tempo (beats a minute)."""

    bpm: float
    ratio: float


@dataclass(frozen=True, slots=True)
class Feel:
    """A feel. Grooves, fills and rhythms are tuples of beats, a bar after another.

    `fills` holds the beats of a fill by its length (1, 2); `top` is the bar before a new
    chorus, `phrase_end` the bar before another phrase, `hats` the bar of time alone. `count` is
    how it is counted in: `beats` (sticks on each), `halves` (on 1 and 3) or `triplets` at the end.
    `programs` holds the data bytes of Program Change by part, 0..127: one less than the number
    that General MIDI prints and a sequence file has. `volumes` are those of controller 7. `pulse`
    (one of PULSES) and `backbeat` (the beats, from 1, that a drum marks in every bar of the groove;
    empty where there is none) are what the feel says of itself, None where it does not say.
    """

    name: str
    title: str
    meter: tuple[int, int]
    swing: tuple[SwingPoint, ...]
    tempo: tuple[int, int]
    groove: tuple[tuple[DrumBeat, ...], ...]
    phrase_end: tuple[DrumBeat, ...]
    top: tuple[DrumBeat, ...]
    fills: dict[int, tuple[DrumBeat, ...]]
    hats: tuple[DrumBeat, ...]
    comp: tuple[tuple[tuple[Stab, ...], ...], ...]
    figure: str
    programs: dict[str, int]
    extension: int = 0
    count: str = "beats"
    slow: bool = False
    volumes: Mapping[str, int] = field(default_factory=lambda: VOLUMES)
    pulse: str | None = None
    backbeat: Mapping[str, tuple[int, ...]] | None = None

    @property
    def beats(self) -> int:
        """Beats a bar, as a foot taps them."""
        upper, lower = self.meter
        return upper // 3 if lower == 8 else upper

    @property
    def ticks(self) -> int:
        """Ticks a beat: 480, of a dotted quarter 720."""
        return QUARTER * 3 // 2 if self.meter[1] == 8 else QUARTER

    def swing_at(self, bpm: float) -> float:
        """The swing at a tempo: straight lines between the points given, level outside them."""
        points = self.swing
        if bpm <= points[0].bpm:
            return points[0].ratio
        for (low, left), (high, right) in pairwise(points):
            if bpm <= high:
                return left + (right - left) * (bpm - low) / (high - low)
        return points[-1].ratio


def beats_marked(bar: tuple[DrumBeat, ...], drum: str) -> tuple[int, ...]:
    """The beats (from 1) on which a drum (a name in DRUM_KEYS) is struck, and not softly."""
    return tuple(
        beat
        for beat, strokes in enumerate(bar, 1)
        if any(s.key == DRUM_KEYS[drum] and s.slot == 0 and s.velocity >= LOUD for s in strokes)
    )


def drum_beats(rows: dict[str, list[str]]) -> tuple[DrumBeat, ...]:
    """Join the rows of several drums (beats of cells, see `grid.beat_cells`) into beats."""
    beats = max(len(row) for row in rows.values())
    joined: list[list[Stroke]] = [[] for _ in range(beats)]
    for drum, row in rows.items():
        for beat, cells in enumerate(row):
            for slot, cell in enumerate(cells):
                if cell != "-":
                    joined[beat].append(Stroke(slot, len(cells), DRUM_KEYS[drum], DRUM_LEVELS[cell]))
    return tuple(tuple(strokes) for strokes in joined)


def comp_beats(row: list[str]) -> tuple[tuple[Stab, ...], ...]:
    """A comping row as beats of stabs; `=` holds the stab before it, across beats too."""
    cells = [(beat, slot, len(text), cell) for beat, text in enumerate(row) for slot, cell in enumerate(text)]
    joined: list[list[Stab]] = [[] for _ in row]
    for index, (beat, slot, slots, cell) in enumerate(cells):
        if cell in "-=":
            continue
        length = 1
        while index + length < len(cells) and cells[index + length][3] == "=":
            length += 1
        joined[beat].append(Stab(slot, slots, length, cell == "X", cell == "a"))
    return tuple(tuple(stabs) for stabs in joined)
