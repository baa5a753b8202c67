"""A performance as a MIDI file: a track a part, a tempo map, a marker for each bar and chord.

Bars fall on a sequencer's bar lines, whatever an ending does to the tempo: time between two
beats is spread evenly over a beat's ticks. Small variations of time are kept.
"""

from bisect import bisect_right

from ..events import Send
from ..music.beat import PARTS
from ..music.grid import QUARTER, slot_ticks
from . import smf
from .performance import Performance
from .values import grid_of
from .written import chords_of

NAMES = {"drums": "Drums", "bass": "Bass", "chords": "Chords"}


class Clock:
    """Ticks of a performance by its beats."""

    def __init__(self, performance: Performance) -> None:
        beats = performance.beats
        self.ticks = performance.plan.feel.ticks
        self.starts = [beat.ns for beat in beats]
        after = [*self.starts[1:], performance.end]
        self.lengths = [then - start for start, then in zip(self.starts, after, strict=True)]

    def tick(self, ns: int) -> int:
        index = max(0, bisect_right(self.starts, ns) - 1)
        return index * self.ticks + round((ns - self.starts[index]) * self.ticks / self.lengths[index])

    def us_per_quarter(self, beat: int) -> int:
        return round(self.lengths[beat] * QUARTER / self.ticks / 1000)


def midi_file(performance: Performance) -> bytes:
    """The whole file, format 1."""
    plan, clock = performance.plan, Clock(performance)
    lead = [
        smf.Event(0, smf.name(plan.tune.title)),
        smf.Event(0, smf.time_signature(*plan.feel.meter)),
        smf.Event(0, smf.key_signature(plan.key.fifths, plan.key.minor)),
        *_tempo(clock),
    ]
    end = max(clock.tick(performance.sends[-1].due), len(performance.beats) * clock.ticks)
    tracks = [smf.track(lead + _markers(performance, clock), end)]
    for part in PARTS:
        sends = [send for send in performance.sends if send.part == part]
        if any(_is_on(send) for send in sends):
            notes = [smf.Event(clock.tick(send.due), send.data) for send in sends]
            tracks.append(smf.track([smf.Event(0, smf.name(NAMES[part])), *notes], end))
    return smf.song(tracks, QUARTER)


def _is_on(send: Send) -> bool:
    return send.data[0] & 0xF0 == 0x90


def _tempo(clock: Clock) -> list[smf.Event]:
    """A tempo for the first beat and every beat that lasts another time (by more than rounding)."""
    events: list[smf.Event] = []
    before = 0
    for beat in range(len(clock.starts)):
        us = clock.us_per_quarter(beat)
        if abs(us - before) > 1:
            events.append(smf.Event(beat * clock.ticks, smf.tempo(us)))
            before = us
    return events


def _markers(performance: Performance, clock: Clock) -> list[smf.Event]:
    """At each bar line where it is, and its chord; within a bar each chord that comes."""
    plan = performance.plan
    grid = grid_of(plan.feel, plan.mbpm / 1000)
    half = slot_ticks(2, grid.ticks, grid.swing)[1]
    events = []
    for index, beat in enumerate(performance.beats):
        if beat.beat > 1:
            continue
        tick = index * clock.ticks
        if beat.chord is None:
            events.append(smf.Event(tick, smf.marker("count-in")))
            continue
        cells = (plan.last if beat.chorus == performance.choruses else plan.layout)[beat.bar - 1]
        first, *others = chords_of(plan, cells, grid.meter)
        where = f"chorus {beat.chorus}" if beat.chorus else "intro"
        events.append(smf.Event(tick, smf.marker(f"{where} bar {beat.bar} {first.chord.symbol}")))
        for chord in others:
            beats, within = divmod(chord.at, grid.meter.beat)
            into = int(beats) * clock.ticks + (half if within else 0)
            events.append(smf.Event(tick + into, smf.marker(chord.chord.symbol)))
    return events
