"""In time with another machine: its MIDI clock leads, and the one timeline follows.

What the other machine says, and what the band does:

    F8           24 a quarter: tempo and place of the beat, steered once a beat and a little at a time
    FA, then F8  bar 1 begins with that F8, without a count-in
    FB, then F8  goes on where it was stopped, or where F2 has put it
    FC           silence; the place is kept
    F2           while stopped: the place, in sixteenths
    nothing      for longer than three clocks: on at the last tempo, and said; healed when it is back

A start while it plays and a stop while it does not are none. The foot leads as ever; what it
starts comes in on the other machine's beat. The first notes after an F8 that starts come 20 ms
after it (FREEZE); all others are on time.
"""

from typing import TYPE_CHECKING, NamedTuple

from ...events import NS_PER_MS, Fault
from ...music.timeline import FASTEST, SLOWEST, mbpm_of
from ..form_position import FormPosition
from ..note_queue import EARLIEST_NS
from ..song_position import position_at
from .clock_estimate import KNOWN, ClockEstimate, Line
from .clock_out import PER_QUARTER, PER_SIXTEENTH, TICKS
from .midi_stream import CLOCK, CONTINUE, SONG_POSITION, START, STOP, Stream, sixteenths_of

if TYPE_CHECKING:
    from ..session import Session

_ROOM_NS = 4 * NS_PER_MS
_PATIENCE_NS = 60 * NS_PER_MS  # beyond three clocks: an unsteady one is not a lost one
_LONGEST_NS = 3 * 60 * 10**12 // (SLOWEST * 1000 * PER_QUARTER) + _PATIENCE_NS
_GENTLY, _FIRMLY = 4, 2  # beats in which the beat's place is mended
_FAR_NS = 10 * NS_PER_MS
_FINE_NS, _FINE = 250_000, 0.0001  # what needs no mending: place of the beat, share of the tempo
_FIRST_LOOKS = (KNOWN, 9, 16)  # clocks after a start at an unknown tempo
CAUSE = "clock"


class _Held(NamedTuple):
    """Where a stop has left the band: `inner` ticks into a beat (or before it), at a clock of the song."""

    song: int
    position: FormPosition
    inner: int


class Led:
    """One Session's ear for another machine's clock."""

    def __init__(self, session: "Session") -> None:
        self._session = session
        self._stream = Stream()
        self._steady = ClockEstimate()
        self._count = 0  # clocks heard
        self._song = 0  # clocks of the song that have been played
        self._pending = False  # the next clock starts the band
        self._runs = False  # the other machine plays
        self._held: _Held | None = None
        self._zero: int | None = None  # the tick of clock 0, while the band follows
        self._last_at: int | None = None
        self._patience = _LONGEST_NS
        self._steered = -1  # the beat that has been steered last
        self._looks: tuple[int, ...] = ()  # clocks at which a tempo that was guessed is corrected
        self.lost = False

    @property
    def leads(self) -> bool:
        """Whether the tempo is the other machine's."""
        return self._zero is not None

    @property
    def song(self) -> int:
        """Clocks of its song that have been played."""
        return self._song

    @property
    def holds(self) -> bool:
        """Whether the band may go on where the other machine has stopped it."""
        return self._held is not None

    def forget_place(self) -> None:
        """Another tune is on: it cannot go on where the one before was stopped."""
        self._held = None

    def hear(self, at: int, data: bytes) -> None:
        """Bytes have come."""
        for message in self._stream.feed(data):
            if message[0] == CLOCK:
                self._clock(at)
            elif message[0] in (START, CONTINUE):
                self._start(at, message[0] == START)
            elif message[0] == STOP:
                self._stop(at)
            elif message[0] == SONG_POSITION and not self._runs:
                self._song = sixteenths_of(message) * PER_SIXTEENTH

    def deadline(self) -> int | None:
        """When no clock has come for too long."""
        if self._zero is None or self.lost or self._last_at is None:
            return None
        return self._last_at + self._patience

    def advance(self, now: int) -> None:
        """The clock has dropped out."""
        self.lost = True
        line = self._steady.line()
        if line:
            self._session.steer(now, self._mbpm(line.interval))
        bpm = self._session.report.mbpm / 1000
        self._say(now, f"the other machine's clock is lost; going on at {bpm:.1f} beats a minute")

    def band_stopped(self, at: int) -> None:
        """The band has stopped: nothing is steered."""
        if self.lost:
            self._say(at, "", over=True)
        self._zero, self._looks, self.lost = None, (), False

    def aligned(self, at: int, position: FormPosition) -> tuple[int, int] | None:
        """When, and at which tempo, a band comes in that was to start at `at`; None if nobody leads."""
        line = self._steady.line()
        if not line or self._last_at is None or at > self._last_at + self._patience + self._beat(line):
            return None
        per_beat = self._session.plan.feel.ticks // TICKS if self._runs else 1
        number = line.number + (at - line.ns) / line.interval
        ahead = number - (self._count - self._song)  # as clocks of the song
        # A foot that has stomped the count was on the beat; sticks must still come.
        beats = round(ahead / per_beat) if position.stomped else int(-(-ahead // per_beat))
        number = beats * per_beat + self._count - self._song
        self._zero = position.tick - TICKS * number
        self._steered, self._looks = position.tick, ()
        return round(line.at(number)), self._mbpm(line.interval)

    # ---- what it says -------------------------------------------------------------------

    def _start(self, at: int, anew: bool) -> None:
        if self._runs or (self._pending and not anew):
            return
        if self._session.position:
            self._session.halt(at)  # the foot had started it: here is where both begin
        if anew:
            self._song = 0
        self._pending = True

    def _stop(self, at: int) -> None:
        session = self._session
        if self._runs and session.position and session.timeline and self._zero is not None:
            tick = self._zero + TICKS * self._count  # of the next clock
            inner = tick - session.position.tick
            position = session.position
            if inner >= session.plan.feel.ticks and (there := session.next_position()):
                position, inner = there, inner - session.plan.feel.ticks
            self._held = _Held(self._song, position, inner)
        if self._runs and session.position:
            session.halt(at)
        self._runs = self._pending = False

    def _clock(self, at: int) -> None:
        if self._last_at is not None and at - self._last_at > self._patience:
            self._back(at)
        self._steady.add(self._count, at)
        self._last_at = at
        self._count += 1
        if self._pending:
            self._pending, self._runs = False, True
            self._join(at)
        elif self._session.position:
            self._follow(at)
        self._song += self._runs

    def _join(self, at: int) -> None:
        session, line = self._session, self._steady.line()
        held = self._held
        if held and held.song == self._song and self._song:
            position, inner = held.position, held.inner
        else:
            position, inner = position_at(session, self._song * TICKS)
        self._held = None
        if position is None:
            return  # behind the last chorus
        self._zero = position.tick + inner - TICKS * (self._count - 1)
        self._steered = -1
        self._looks = () if line else tuple(self._count - 1 + look for look in _FIRST_LOOKS)
        session.join(at, inner, self._mbpm(line.interval) if line else session.mbpm, position)

    def _back(self, at: int) -> None:
        """The clock was away. It is on our grid again, at the nearest place: nobody tells what was missed."""
        self._steady.clear()
        timeline = self._session.timeline
        if self._zero is not None and timeline and self.lost:
            number = round((timeline.tick_at(at) - self._zero) / TICKS)
            if self._runs:
                self._song += number - self._count
            self._count = number
            self._say(at, "the other machine's clock is back", over=True)
        self.lost = False

    # ---- steering -----------------------------------------------------------------------

    def _follow(self, at: int) -> None:
        """Mend tempo and place of the beat, from the next beat on."""
        session = self._session
        position, timeline = session.position, session.timeline
        if not position or not timeline:
            return
        if self._looks and self._count >= self._looks[0]:
            self._looks = self._looks[1:]
            if line := self._steady.line():
                session.lean(at, self._mbpm(line.interval))
            return
        tick = position.tick + session.plan.feel.ticks
        left = timeline.at(tick) - session.frozen_until(at) - EARLIEST_NS
        if tick == self._steered or not left > _ROOM_NS:
            return
        if left > 2 * timeline.beat_ns * TICKS // session.plan.feel.ticks + 5 * _ROOM_NS:
            return
        line = self._steady.line()
        if not line:
            return
        self._steered = tick
        if self._zero is None:  # the foot has started the band before there was a clock
            self._zero = round((timeline.tick_at(at) - TICKS * line.number) / TICKS) * TICKS
        self._patience = round(3 * line.interval) + _PATIENCE_NS
        beat = self._beat(line)
        off = line.at((tick - self._zero) / TICKS) - timeline.at(tick)
        if abs(off) < _FINE_NS and abs(timeline.beat_ns / beat - 1) < _FINE:
            return
        within = _FIRMLY if abs(off) > _FAR_NS else _GENTLY
        off = max(-beat / 4, min(beat / 4, off))
        session.steer(at, self._mbpm(line.interval, off / within))

    def _beat(self, line: Line) -> float:
        return line.interval * self._session.plan.feel.ticks / TICKS

    def _mbpm(self, interval: float, longer: float = 0.0) -> int:
        """The tempo of clocks so far apart, with `longer` ns more in each beat."""
        beat = interval * self._session.plan.feel.ticks / TICKS + longer
        return max(SLOWEST * 900, min(FASTEST * 1100, mbpm_of(beat)))

    def _say(self, at: int, what: str, over: bool = False) -> None:
        self._session.emit(Fault(at, what, CAUSE, over))
