"""Drums and comping as parts of a score, every chorus written out: they do not repeat themselves.

They are what the band plays in strict time from the same seed and plan as the files that sound.
"""

from collections.abc import Callable, Sequence
from fractions import Fraction
from functools import partial
from typing import NamedTuple, TypeVar
from xml.etree import ElementTree as ET

from ..music.beat import Note
from ..music.feels import DRUM_KEYS
from ..music.pitch import Name
from ..music.plan import Plan
from .musicxml import (
    Accidentals,
    Sounded,
    add,
    add_key_and_time,
    add_tempo,
    beams,
    duration,
    filled,
    octave_of,
)
from .notation import add_part, add_pitch, add_ratio, add_tied, add_ties, add_value
from .performance import StrictBeat
from .values import Bounds, Grid, Meter
from .written import name_of

# Where a drum is written in percussion clef (step, octave, notehead), as most drum parts have it.
_DRUMS = {
    "kick": ("F", 4, "normal"),
    "side-stick": ("C", 5, "x"),
    "snare": ("C", 5, "normal"),
    "hat": ("G", 5, "x"),
    "hat-foot": ("D", 4, "x"),
    "hat-open": ("G", 5, "circle-x"),
    "ride": ("F", 5, "x"),
    "ride-bell": ("F", 5, "diamond"),
    "crash": ("A", 5, "x"),
    "tom-floor": ("A", 4, "normal"),
    "tom-low": ("B", 4, "normal"),
    "tom-mid": ("D", 5, "normal"),
    "tom-high": ("E", 5, "normal"),
    "tambourine": ("B", 5, "triangle"),
    "cowbell": ("E", 5, "triangle"),
    "conga-mute": ("D", 5, "x"),
    "conga": ("D", 5, "normal"),
    "conga-low": ("B", 4, "normal"),
    "maracas": ("B", 5, "x"),
    "claves": ("C", 6, "x"),
}
_BY_KEY = {key: name for name, key in DRUM_KEYS.items()}
_SPLIT = 60  # from middle C up the right hand
_TREBLE, _BASS = 1, 2
_What = TypeVar("_What")


class NamedKey(NamedTuple):
    """A tone of a chord: the MIDI key that sounds, and what it is called."""

    key: int
    name: Name


class _Head(NamedTuple):
    """How a drum stroke is told: the shape of its notehead and the id of its instrument."""

    shape: str
    instrument: str


def add_drums(
    score: ET.Element, plan: Plan, grid: Grid, bars: Sequence[Sequence[StrictBeat]], number: int
) -> None:
    """The drummer's part, count-in included. `bars` are beats by bar."""
    part = add_part(score, number, "Drums", "drums", plan)
    entry = score.find(f"part-list/score-part[@id='P{number}']")
    assert entry is not None
    for name in _DRUMS:
        add(add(entry, "score-instrument", id=_instrument(number, name)), "instrument-name", name)
    for name in _DRUMS:
        midi = add(entry, "midi-instrument", id=_instrument(number, name))
        add(midi, "midi-channel", 10)
        add(midi, "midi-unpitched", DRUM_KEYS[name] + 1)
    for index, beats in enumerate(bars):
        measure = add(part, "measure", number=index)
        if index == 0:
            _add_start(measure, plan, grid, [("percussion", None)])
        notes = [note for beat in beats for note in beat.notes if note.part == "drums"]
        sounded, triplets = _drummed(grid, beats, notes)
        _add_voice(measure, grid.meter, sounded, triplets, 0, 1, partial(_add_stroke, number))


def _drummed(
    grid: Grid, beats: Sequence[StrictBeat], notes: Sequence[Note]
) -> tuple[list[Sounded[tuple[int, ...]]], set[int]]:
    """Strokes by when they fall; each lasts until the next one, or the end of its beat."""
    start = beats[0].tick
    ticks = sorted({note.tick - start for note in notes})
    bounds = Bounds(grid, ticks)
    found = []
    for index, tick in enumerate(ticks):
        at = bounds.at(tick)
        beat_ends = (at // grid.meter.beat + 1) * grid.meter.beat
        then = bounds.at(ticks[index + 1]) if index + 1 < len(ticks) else beat_ends
        struck = tuple(dict.fromkeys(note.key for note in notes if note.tick - start == tick))
        found.append(Sounded(at, min(then, beat_ends), struck))
    return found, bounds.triplets


def add_comping(
    score: ET.Element, plan: Plan, grid: Grid, bars: Sequence[Sequence[StrictBeat]], number: int
) -> None:
    """The chord player's part on two staves."""
    part = add_part(score, number, "Chords", "chords", plan)
    signs = {staff: Accidentals(plan.key) for staff in (_TREBLE, _BASS)}
    notes = [note for beats in bars for beat in beats for note in beat.notes if note.part == "chords"]
    origin = bars[0][0].tick
    struck = sorted({(note.tick - origin, note.end - origin) for note in notes})
    ends = [min(end, then) for (_, end), (then, _) in zip(struck, [*struck[1:], (1 << 40, 0)], strict=True)]
    bounds = Bounds(grid, [*(tick for tick, _ in struck), *ends])
    spans = [(bounds.at(tick), bounds.at(end)) for (tick, _), end in zip(struck, ends, strict=True)]
    keys = [tuple(note.key for note in notes if note.tick - origin == tick) for tick, _ in struck]
    names = _spelled(plan, bars)
    for index in range(len(bars)):
        measure = add(part, "measure", number=index)
        if index == 0:
            _add_start(measure, plan, grid, [("G", 2), ("F", 4)])
        start = index * grid.meter.bar
        first = index * grid.meter.beats
        triplets = {beat - first for beat in bounds.triplets if first <= beat < first + grid.meter.beats}
        here = [
            (at - start, end - start, played)
            for (at, end), played in zip(spans, keys, strict=True)
            if start < end and at < start + grid.meter.bar
        ]
        for staff in (_TREBLE, _BASS):
            if staff == _BASS:
                add(add(measure, "backup"), "duration", duration(grid.meter.bar))
            hand = [
                Sounded(at, end, tuple(NamedKey(key, names[index][key % 12]) for key in sorted(own)))
                for at, end, played in here
                if (own := [key for key in played if _staff(key) == staff])
            ]
            signs[staff].bar_line()
            _add_voice(
                measure,
                grid.meter,
                hand,
                triplets,
                staff,
                staff,
                _add_tone,
                partial(_sign, signs[staff]),
            )


def _staff(key: int) -> int:
    return _TREBLE if key >= _SPLIT else _BASS


def _spelled(plan: Plan, bars: Sequence[Sequence[StrictBeat]]) -> list[dict[int, Name]]:
    """What each pitch class is called in each bar: by the bar's chords, the later ones first to give way."""
    found = []
    for beats in bars:
        names: dict[int, Name] = {}
        for beat in beats:
            layout = plan.last if beat.last else plan.layout
            cells = [] if beat.counting else [layout[beat.bar - 1][beat.beat - 1]]
            for cell in cells:
                heard = [sound.chord for sound in cell.sounding] + ([cell.then.chord] if cell.then else [])
                for chord in heard:
                    for tone in range(12):
                        pc = (plan.chords[chord].root.pc + tone) % 12
                        own = tone in {step % 12 for step in plan.chords[chord].intervals}
                        if own or pc not in names:
                            names.setdefault(pc, name_of(plan, chord, tone))
        found.append(names)
    return found


def _instrument(number: int, name: str) -> str:
    return f"P{number}-{name}"


def _add_start(measure: ET.Element, plan: Plan, grid: Grid, clefs: Sequence[tuple[str, int | None]]) -> None:
    attributes = add(measure, "attributes")
    add(attributes, "divisions", duration(Fraction(1)))
    add_key_and_time(attributes, None if clefs[0][0] == "percussion" else plan.key, plan.feel)
    if len(clefs) > 1:
        add(attributes, "staves", len(clefs))
    for staff, (sign, line) in enumerate(clefs, 1):
        clef = add(attributes, "clef", **({"number": staff} if len(clefs) > 1 else {}))
        add(clef, "sign", sign)
        if line:
            add(clef, "line", line)
    add_tempo(measure, plan, grid)


def _add_voice(
    measure: ET.Element,
    meter: Meter,
    sounded: Sequence[Sounded[tuple[_What, ...]]],
    triplets: set[int],
    staff: int,
    voice: int,
    add_what: Callable[[ET.Element, _What], _Head | None],
    sign: Callable[[_What], str | None] = lambda what: None,
) -> None:
    """A voice of a bar: chords of whatever `add_what` writes into a note, with the `sign` it needs."""
    pieces = filled(meter, sounded, meter.bar, triplets)
    beamed = beams(meter, pieces)
    for index, (value, one, before, after) in enumerate(pieces):
        chord: Sequence[_What | None] = one.what if one else (None,)
        for place, what in enumerate(chord):
            note = add(measure, "note")
            if place:
                add(note, "chord")
            if what is None:
                add(note, "rest", **({"measure": "yes"} if value.length == meter.bar else {}))
            head = add_what(note, what) if what is not None else None
            add(note, "duration", duration(value.length))
            add_ties(note, before, after)
            if head:
                add(note, "instrument", id=head.instrument)
            add(note, "voice", voice)
            add_value(note, value.kind, value.dots)
            if what is not None and not before and (wanted := sign(what)):
                add(note, "accidental", wanted)
            if value.triplet:
                add_ratio(note)
            if head and head.shape != "normal":
                add(note, "notehead", head.shape)
            if staff:
                add(note, "staff", staff)
            if not place:
                for level, beam in enumerate(beamed[index], 1):
                    add(note, "beam", beam, number=level)
            add_tied(note, before, after, pieces if value.triplet and not place else None, index, meter)


def _add_stroke(number: int, note: ET.Element, key: int) -> _Head:
    """A stroke of the drums, which are part `number`."""
    name = _BY_KEY[key]
    step, octave, head = _DRUMS[name]
    unpitched = add(note, "unpitched")
    add(unpitched, "display-step", step)
    add(unpitched, "display-octave", octave)
    return _Head(head, _instrument(number, name))


def _add_tone(note: ET.Element, tone: NamedKey) -> None:
    add_pitch(note, tone.name, octave_of(tone.key, tone.name))


def _sign(signs: Accidentals, tone: NamedKey) -> str | None:
    return signs.sign(tone.name, octave_of(tone.key, tone.name))
