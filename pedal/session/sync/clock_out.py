"""MIDI clock for other machines, made from the timeline: 24 clocks a quarter note.

The clock always runs, while the band is stopped too, so that a machine knows the tempo when it is
started. Its song begins with the first beat after the count-in:

    F8 … F8   FA   F8 F8 F8 …  FC F2 00 00   F8 …
    count-in       bar 1       stop          at the tempo, on the same grid

FA comes half a clock before the F8 that it is about, and so never less than a millisecond
(MIDI 1.0 Detailed Specification, p. 30-31). An input changes nothing that is due until FREEZE
after it: what it leaves is fixed first.
"""

from collections import deque

from ...events import NS_PER_MS, Sync
from ...music.grid import QUARTER
from ...music.timeline import Timeline
from .midi_stream import CLOCK, CONTINUE, START, STOP, song_position

PER_QUARTER = 24
TICKS = QUARTER // PER_QUARTER  # a clock
PER_SIXTEENTH = 6
_APART_NS = 2 * NS_PER_MS  # from a start to its first clock, where there is no more time


class ClockOut:
    """The clock of one Session."""

    def __init__(self, mbpm: int, ticks_per_beat: int, now: int) -> None:
        self._timeline = Timeline(0, now, mbpm, ticks_per_beat)
        self._tick = TICKS  # of the next clock
        self._fixed: deque[Sync] = deque()  # what nothing changes any more
        self._begins: int | None = None  # the tick at which the other machines are to begin,
        self._announced: tuple[bytes, ...] = ()  # what they are told just before,
        self._begins_after = 0  # and not sooner than this
        self._not_before = 0  # no clock may come sooner
        self._runs = False  # the other machines play
        self._song = 0  # the clocks they have played: where a continue goes on
        self._begins_song = 0  # and what that will be when they begin

    def next_due(self) -> int:
        """When the next message is due."""
        return self._fixed[0].due if self._fixed else self._next()[0]

    def pop(self, until: int) -> list[Sync]:
        """Everything due up to and including `until`, in order. It is final."""
        out = []
        while self.next_due() <= until:
            out.append(self._fixed.popleft() if self._fixed else self._made())
        return out

    # ---- what the band does -------------------------------------------------------------

    def started(self, timeline: Timeline, begins: int, song: int, after: int) -> None:
        """From now on the clocks come from `timeline`; the other machines begin at the tick `begins`.

        `song` is where in the song that is, in clocks: not at the beginning if the band goes on.
        Nothing due until `after` is changed.
        """
        self._fix(after)
        short = -song % PER_SIXTEENTH if song != self._song else 0  # a position is told in sixteenths
        announced: tuple[bytes, ...] = (bytes((CONTINUE,)),)
        if song == 0:
            announced = (bytes((START,)),)
        elif song != self._song:
            announced = (song_position((song + short) // PER_SIXTEENTH), *announced)
        self._begins_song = song + short
        begins += short * TICKS
        self._timeline, self._begins, self._announced = timeline, begins, announced
        self._begins_after = after + 1
        first = timeline.tick_at(after) // TICKS * TICKS + TICKS
        if first > begins:  # what they have missed of it they get at once
            first = begins
        self._tick = first

    def moved(self, timeline: Timeline, after: int) -> None:
        """Another tempo, or another place of the beat, from later than `after`."""
        self._fix(after)
        self._timeline = timeline

    def stopped(self, at: int, mbpm: int, rewind: bool) -> None:
        """The music is over at `at`. With `rewind` it begins anew next time, else it may go on here."""
        self._fix(at - 1)
        if self._begins is not None:  # what they would have got at once, they have not missed
            self._tick = max(self._tick, self._timeline.tick_at(at) // TICKS * TICKS + TICKS)
            self._begins = None
        if self._runs:
            self._fixed.append(Sync(at, bytes((STOP,)), "clock"))
            self._runs = False
            if rewind:
                self._fixed.append(Sync(at, song_position(0), "clock"))
                self._song = 0
        self.paced(at, mbpm)

    def paced(self, after: int, mbpm: int) -> None:
        """The band is stopped, and would play at this tempo."""
        if mbpm != self._timeline.mbpm:
            self._fix(after)
            self._timeline = self._timeline.retimed(after, mbpm)

    # ---- making -------------------------------------------------------------------------

    def _next(self) -> tuple[int, bool]:
        """When something is due next, and whether it is the beginning."""
        clock = max(self._timeline.at(self._tick), self._not_before)
        if self._begins is None:
            return clock, False
        begin = max(self._timeline.at(self._begins - TICKS // 2), self._begins_after)
        return (begin, True) if begin < clock or self._tick == self._begins else (clock, False)

    def _made(self) -> Sync:
        """Make the next message."""
        due, begins = self._next()
        if begins:
            self._fixed.extend(Sync(due, data, "clock") for data in self._announced)
            self._begins, self._runs, self._not_before = None, True, due + _APART_NS
            self._song = self._begins_song
            return self._fixed.popleft()
        self._tick += TICKS
        self._song += self._runs
        return Sync(due, bytes((CLOCK,)), "clock")

    def _fix(self, until: int) -> None:
        """Make what is due up to and including `until`."""
        made: list[Sync] = []
        while (self._fixed[0].due if self._fixed else self._next()[0]) <= until:
            made.append(self._fixed.popleft() if self._fixed else self._made())
        self._fixed.extendleft(reversed(made))
