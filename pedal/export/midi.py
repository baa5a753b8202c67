"""A performance as a Standard MIDI File (RP-001, format 1): a tempo map, and a track a part.

Bars fall on a sequencer's bar lines, whatever an ending does to the tempo: time between two
beats is spread evenly over a beat's ticks. Small variations of time are kept. A marker stands at
each bar line and each chord.
"""

from bisect import bisect_right
from collections.abc import Iterable
from io import BytesIO

import mido

from ..events import Send
from ..music.beat import PARTS
from ..music.grid import QUARTER, slot_ticks
from .performance import Performance
from .values import grid_of
from .written import chords_of

NAMES = {"drums": "Drums", "bass": "Bass", "chords": "Chords"}
# MIDI clocks in a click by the meter's lower number: a dotted quarter, as in RP-001's example of 6/8.
_CLICKS = {8: 36}
_QUARTER_CLICK = 24


def midi_file(performance: Performance) -> bytes:
    """The whole file, with 480 ticks to a quarter note. Parts without a note have no track."""
    ticks = BeatTicks(performance)
    end = max(ticks.tick(performance.sends[-1].due), len(performance.beats) * ticks.each)
    lead = [*_signatures(performance), *_tempo(ticks), *_markers(performance, ticks)]
    # RP-001 leaves open what lies beyond ASCII; Latin-1, which mido takes, has not every title.
    song = mido.MidiFile(type=1, ticks_per_beat=QUARTER, charset="utf-8")
    song.tracks.append(_track(lead, end))
    for part in PARTS:
        sends = [send for send in performance.sends if send.part == part]
        if any(is_note_on(send) for send in sends):
            name = mido.MetaMessage("track_name", name=NAMES[part])
            notes = [mido.Message.from_bytes(send.data, time=ticks.tick(send.due)) for send in sends]
            song.tracks.append(_track([name, *notes], end))
    content = BytesIO()
    song.save(file=content)
    return content.getvalue()


def is_note_on(send: Send) -> bool:
    """Whether a note begins. (The band ends its notes with note-offs, never by velocity 0.)"""
    return send.data[0] & 0xF0 == 0x90


class BeatTicks:
    """From the time of a performance to ticks, of which every beat has as many (`each`)."""

    def __init__(self, performance: Performance) -> None:
        self.each = performance.plan.feel.ticks
        self._starts = [beat.ns for beat in performance.beats]
        after = [*self._starts[1:], performance.end]
        self._lengths = [then - start for start, then in zip(self._starts, after, strict=True)]

    def tick(self, ns: int) -> int:
        """The tick at a time in ns, from 0 on; past the last beat at its tempo."""
        index = bisect_right(self._starts, ns) - 1
        return index * self.each + round((ns - self._starts[index]) * self.each / self._lengths[index])

    def tempos(self) -> list[int]:
        """The tempo of each beat, in µs a quarter note."""
        return [round(length * QUARTER / self.each / 1000) for length in self._lengths]


def _track(messages: Iterable[mido.Message | mido.MetaMessage], end: int) -> mido.MidiTrack:
    """A track of messages whose `time` is a tick; it ends at `end`, or with the last of them."""
    track, now = mido.MidiTrack(), 0
    for message in sorted(messages, key=lambda message: message.time):
        message.time, now = message.time - now, message.time
        track.append(message)
    track.append(mido.MetaMessage("end_of_track", time=max(0, end - now)))
    return track


def _signatures(performance: Performance) -> list[mido.MetaMessage]:
    plan = performance.plan
    upper, lower = plan.feel.meter
    clicks = _CLICKS.get(lower, _QUARTER_CLICK)
    meter = {"numerator": upper, "denominator": lower, "clocks_per_click": clicks}
    return [
        mido.MetaMessage("track_name", name=_plain(plan.tune.title)),
        mido.MetaMessage("time_signature", **meter),
        mido.MetaMessage("key_signature", key=_plain(str(plan.key))),
    ]


def _tempo(ticks: BeatTicks) -> list[mido.MetaMessage]:
    """A tempo for the first beat and every beat that lasts another time (by more than rounding)."""
    messages: list[mido.MetaMessage] = []
    before = 0
    for beat, tempo in enumerate(ticks.tempos()):
        if abs(tempo - before) > 1:
            messages.append(mido.MetaMessage("set_tempo", tempo=tempo, time=beat * ticks.each))
            before = tempo
    return messages


def _markers(performance: Performance, ticks: BeatTicks) -> list[mido.MetaMessage]:
    """At each bar line where it is, and its chord; within a bar each chord that comes."""
    plan = performance.plan
    grid = grid_of(plan.feel, plan.mbpm / 1000)
    half = slot_ticks(2, grid.ticks, grid.swing)[1]
    messages = []

    def mark(text: str, tick: int) -> None:
        messages.append(mido.MetaMessage("marker", text=_plain(text), time=tick))

    for index, beat in enumerate(performance.beats):
        if beat.beat > 1:
            continue
        tick = index * ticks.each
        if not beat.bar:
            mark("silence", tick)
            continue
        if beat.counting:
            mark("count-in", tick)
            continue
        cells = (plan.last if beat.last else plan.layout)[beat.bar - 1]
        first, *others = chords_of(plan, cells, grid.meter)
        where = f"chorus {beat.chorus}" if beat.chorus else "intro"
        mark(f"{where} bar {beat.bar} {first.chord.symbol}", tick)
        for chord in others:
            beats, within = divmod(chord.at, grid.meter.beat)
            mark(chord.chord.symbol, tick + int(beats) * ticks.each + (half if within else 0))
    return messages


def _plain(text: str) -> str:
    """With b and # for flats and sharps, which every reader shows."""
    return text.replace("♭", "b").replace("♯", "#").replace("ø7", "m7b5")
