"""What is about to leave for the synth: notes by due time, and what must end them.

A note-on may be revoked until it is taken. Taking it puts its note-off in the queue, and
nothing takes that out again but the off itself, a new stroke of the same key (which sends the
off first) or silence. Offs are kept in ticks, so that they move with the tempo.

Order of what is due together: beginnings of beats, drums, offs, bass, chords.
"""

import heapq
from collections.abc import Iterable
from typing import NamedTuple

from ..events import NS_PER_MS, BeatBegan, Send
from ..music.beat import CHANNELS, SILENCE, Note
from ..music.timeline import Timeline

LEAD_NS = 16 * NS_PER_MS  # a note leaves at most so much before its tick: it may be 15 ms early
OFF_EARLY_NS = 4 * NS_PER_MS  # so that on a DIN cable (320 µs a byte) no off delays a downbeat
SHORTEST_NS = 10 * NS_PER_MS
_ORDER = {"drums": 0, "bass": 2, "chords": 3}
_BEAT_ORDER, _OFF_ORDER, _SILENCE_ORDER = -1, 1, 9
_ON, _OFF, _BEAT, _SILENCE = range(4)


class _Queued(NamedTuple):
    due: int
    order: int
    key: int  # MIDI key, with the channel above it
    serial: int
    kind: int
    tick: int  # of the note's start, or of its end in an off
    shift: int
    end: int
    velocity: int
    part: str
    of: tuple[int, int, int]
    began: BeatBegan | None = None


class NoteQueue:
    """The queue of one synth."""

    def __init__(self) -> None:
        self.timeline: Timeline | None = None  # stays after a stop: the last offs need it
        self._queue: list[_Queued] = []
        self._serial = 0
        self._sounding: dict[int, _Queued] = {}  # the off that each sounding key waits for

    def notes(
        self, notes: Iterable[Note], of: tuple[int, int, int], after: int, begins: int | None = None
    ) -> None:
        """Queue the notes that are due later than `after`; from the tick `begins` on, make them so."""
        assert self.timeline
        at, queue = self.timeline.at, self._queue
        for tick, end, shift, part, key, velocity in notes:
            due = at(tick) + shift
            if begins is not None and due <= after and tick >= begins:
                due = after + 1
            if due > after:
                self._serial = serial = self._serial + 1
                key |= CHANNELS[part] << 8
                entry = _Queued(due, _ORDER[part], key, serial, _ON, tick, shift, end, velocity, part, of)
                heapq.heappush(queue, entry)

    def beat(self, began: BeatBegan, tick: int, after: int) -> None:
        """Queue the beginning of a beat, which belongs to a tick."""
        if began.due > after:
            self._push(began.due, _BEAT_ORDER, 0, _BEAT, tick, began=began)

    def silence(self, due: int) -> None:
        """At `due`, end everything that sounds."""
        self._push(due, _SILENCE_ORDER, 0, _SILENCE)

    def _at(self, tick: int) -> int:
        assert self.timeline
        return self.timeline.at(tick)

    def _push(
        self,
        due: int,
        order: int,
        key: int,
        kind: int,
        tick: int = 0,
        end: int = 0,
        part: str = "",
        of: tuple[int, int, int] = (0, 0, 0),
        began: BeatBegan | None = None,
    ) -> _Queued:
        self._serial += 1
        entry = _Queued(due, order, key, self._serial, kind, tick, 0, end, 0, part, of, began)
        heapq.heappush(self._queue, entry)
        return entry

    def next_due(self) -> int | None:
        """When the first of what waits is due, in ns."""
        return self._queue[0].due if self._queue else None

    def revoke(self, after: int, beats_after: int | None = None) -> None:
        """Take back what is due later than `after` (beats: than `beats_after`, if given).

        Offs of what has been taken stay.
        """
        beats = after if beats_after is None else beats_after
        self._queue = [
            entry
            for entry in self._queue
            if entry.due <= (beats if entry.kind == _BEAT else after) or entry.kind in (_OFF, _SILENCE)
        ]
        heapq.heapify(self._queue)

    def revoke_from(self, tick: int) -> None:
        """Take back the notes and beginnings of a tick and later ones."""
        self._queue = [entry for entry in self._queue if entry.kind in (_OFF, _SILENCE) or entry.tick < tick]
        heapq.heapify(self._queue)

    def clip(self, tick: int) -> None:
        """No chord or bass note that has begun sounds on past `tick`."""
        clipped = []
        for entry in self._queue:
            if entry.part != "drums" and entry.kind == _ON and entry.tick < tick < entry.end:
                entry = entry._replace(end=tick)
            elif entry.part != "drums" and entry.kind == _OFF and entry.tick > tick:
                entry = self._moved_off(entry, tick)
            clipped.append(entry)
        self._queue = clipped
        heapq.heapify(self._queue)

    def retime(self, timeline: Timeline, after: int) -> None:
        """Move the offs due later than `after` to where another tempo puts them."""
        self.timeline = timeline
        self._queue = [
            self._moved_off(entry, entry.tick, after + 1)
            if entry.kind == _OFF and entry.due > after
            else entry
            for entry in self._queue
        ]
        heapq.heapify(self._queue)

    def _moved_off(self, entry: _Queued, tick: int, earliest: int = 0) -> _Queued:
        due = max(earliest, entry.end, self._at(tick) - OFF_EARLY_NS)
        moved = entry._replace(due=due, tick=tick)
        if self._sounding.get(entry.key) is entry:
            self._sounding[entry.key] = moved
        return moved

    def pop(self, until: int) -> list[Send | BeatBegan]:
        """Everything due up to and including `until`, in wire order. It is final."""
        out: list[Send | BeatBegan] = []
        queue = self._queue
        while queue and queue[0][0] <= until:  # [0] is `due`, and this the line that is run most
            entry = heapq.heappop(queue)
            if entry.kind == _BEAT and entry.began:
                out.append(entry.began)
            elif entry.kind == _SILENCE:
                out += self.silenced(entry.due, entry.serial)
            elif entry.kind == _OFF:
                if self._sounding.get(entry.key) is entry:
                    del self._sounding[entry.key]
                    out.append(_off(entry, entry.due))
            else:
                if old := self._sounding.pop(entry.key, None):
                    out.append(_off(old, entry.due))
                status = 0x90 | entry.key >> 8
                data = bytes((status, entry.key & 0x7F, entry.velocity))
                out.append(Send(entry.due, data, entry.part, *entry.of))
                earliest = entry.due + SHORTEST_NS
                due = max(earliest, self._at(entry.end) - OFF_EARLY_NS)
                self._sounding[entry.key] = self._push(
                    due, _OFF_ORDER, entry.key, _OFF, entry.end, earliest, entry.part, entry.of
                )
        return out

    def silenced(self, due: int, serial: int | None = None) -> list[Send]:
        """End everything now and forget what was queued: offs first, then the controllers.

        With `serial` what was queued later stays: the band has started again since.
        """
        out = [_off(entry, due) for entry in sorted(self._sounding.values())]
        self._sounding.clear()
        later = [] if serial is None else [entry for entry in self._queue if entry.serial > serial]
        self._queue[:] = [entry for entry in later if entry.kind != _OFF]
        heapq.heapify(self._queue)
        return out + quiet_controllers(due)


def quiet_controllers(due: int) -> list[Send]:
    """Controllers 64=0, 123 and 120 on every channel.

    MIDI 1.0 (p. 20, 24-25): All Notes Off stands in for no Note Off, nor does it end what the
    sustain controller holds.
    """
    return [
        Send(due, bytes((0xB0 | channel, controller, 0)), part, 0, 0, 0)
        for part, channel in CHANNELS.items()
        for controller in SILENCE
    ]


def _off(entry: _Queued, due: int) -> Send:
    return Send(due, bytes((0x80 | entry.key >> 8, entry.key & 0x7F, 64)), entry.part, *entry.of)
