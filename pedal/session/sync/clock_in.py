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

from typing import NamedTuple

from ...events import NS_PER_MS, Fault
from ...music.plan import Plan
from ...music.timeline import FASTEST, SLOWEST, mbpm_of
from ..form_position import FormPosition
from ..note_queue import LEAD_NS
from ..state import State
from .clock_estimate import KNOWN, ClockEstimate, Line
from .clock_out import PER_QUARTER, PER_SIXTEENTH, TICKS
from .midi_stream import CLOCK, CONTINUE, SONG_POSITION, START, STOP, Stream, sixteenths_of
from .song_position import position_at

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


class Halt(NamedTuple):
    """The band is to be silent."""


class Join(NamedTuple):
    """The band is to play at once, `inner` ticks into `position`; `song` clocks of the song are over."""

    position: FormPosition
    inner: int
    mbpm: int
    song: int


class Steer(NamedTuple):
    """Another tempo from the next beat on that can still be moved. The one that sounds stays as it is."""

    mbpm: int


class Lean(NamedTuple):
    """Another tempo within the beat, from where nothing that may have been sent is moved."""

    mbpm: int


Wish = Halt | Join | Steer | Lean | Fault
"""What a followed clock wants of whoever runs the Session; each is carried out before it hears more."""


class FollowedClock:
    """The ear for another machine's clock. It is handed the State, and answers with what it wants."""

    def __init__(self) -> None:
        self._stream = Stream()
        self._estimate = ClockEstimate()
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

    def messages(self, data: bytes) -> list[bytes]:
        """The messages in bytes that have come, those that began with earlier bytes included."""
        return self._stream.feed(data)

    def hear(self, at: int, message: bytes, state: State, coming: FormPosition | None) -> list[Wish]:
        """A message has come; `coming` is the beat that is to follow the State's."""
        if message[0] == CLOCK:
            return self._clock(at, state)
        if message[0] in (START, CONTINUE):
            return self._start(message[0] == START, state)
        if message[0] == STOP:
            return self._stop(state, coming)
        if message[0] == SONG_POSITION and not self._runs:
            self._song = sixteenths_of(message) * PER_SIXTEENTH
        return []

    def deadline(self) -> int | None:
        """When no clock has come for too long."""
        if self._zero is None or self.lost or self._last_at is None:
            return None
        return self._last_at + self._patience

    def dropped_out(self, now: int, state: State) -> list[Wish]:
        """The clock has dropped out: `deadline` is over."""
        self.lost = True
        line = self._estimate.line()
        mbpm = state.timeline.mbpm if state.timeline else state.mbpm
        wishes: list[Wish] = []
        if line:
            mbpm = _mbpm(state, line.interval)
            wishes.append(Steer(mbpm))
        said = f"the other machine's clock is lost; going on at {mbpm / 1000:.1f} beats a minute"
        return [*wishes, _fault(now, said)]

    def band_stopped(self, at: int) -> list[Wish]:
        """The band has stopped: nothing is steered."""
        over: list[Wish] = [_fault(at, "", over=True)] if self.lost else []
        self._zero, self._looks, self.lost = None, (), False
        return over

    def aligned(self, at: int, position: FormPosition, plan: Plan) -> tuple[int, int] | None:
        """When, and at which tempo, a band comes in that was to start at `at`; None if nobody leads."""
        line = self._estimate.line()
        if not line or self._last_at is None:
            return None
        if at > self._last_at + self._patience + _beat_ns(plan, line):
            return None
        per_beat = plan.feel.ticks // TICKS if self._runs else 1
        number = line.number + (at - line.ns) / line.interval
        ahead = number - (self._count - self._song)  # as clocks of the song
        # A foot that has stomped the count was on the beat; sticks must still come.
        beats = round(ahead / per_beat) if position.stomped else int(-(-ahead // per_beat))
        number = beats * per_beat + self._count - self._song
        self._zero = position.tick - TICKS * number
        self._steered, self._looks = position.tick, ()
        return round(line.at(number)), _mbpm_of(plan, line.interval)

    # ---- what it says -------------------------------------------------------------------

    def _start(self, anew: bool, state: State) -> list[Wish]:
        if self._runs or (self._pending and not anew):
            return []
        if anew:
            self._song = 0
        self._pending = True
        return [Halt()] if state.position else []  # the foot had started it: here is where both begin

    def _stop(self, state: State, coming: FormPosition | None) -> list[Wish]:
        runs, position = self._runs, state.position
        self._runs = self._pending = False
        if not (runs and position):
            return []
        if state.timeline and self._zero is not None:
            inner = self._zero + TICKS * self._count - position.tick  # to where the next clock would be
            if inner >= state.plan.feel.ticks and coming:
                position, inner = coming, inner - state.plan.feel.ticks
            self._held = _Held(self._song, position, inner)
        return [Halt()]

    def _clock(self, at: int, state: State) -> list[Wish]:
        wishes: list[Wish] = []
        if self._last_at is not None and at - self._last_at > self._patience:
            wishes += self._back(at, state)
        self._estimate.add(self._count, at)
        self._last_at = at
        self._count += 1
        if self._pending:
            self._pending, self._runs = False, True
            wishes += self._join(state)
        elif state.position:
            wishes += self._follow(at, state)
        self._song += self._runs
        return wishes

    def _join(self, state: State) -> list[Wish]:
        line, held = self._estimate.line(), self._held
        if held and held.song == self._song and self._song:
            position, inner = held.position, held.inner
        else:
            found, inner = position_at(state, self._song * TICKS)
            if found is None:  # behind the last chorus
                self._held = None
                return []
            position = found
        self._held = None
        self._zero = position.tick + inner - TICKS * (self._count - 1)
        self._steered = -1
        self._looks = () if line else tuple(self._count - 1 + look for look in _FIRST_LOOKS)
        mbpm = _mbpm(state, line.interval) if line else state.mbpm
        return [Join(position, inner, mbpm, self._song)]

    def _back(self, at: int, state: State) -> list[Wish]:
        """The clock was away. It is on our grid again, at the nearest place: nobody tells what was missed."""
        self._estimate.clear()
        was_lost, self.lost = self.lost, False
        if self._zero is None or not state.timeline or not was_lost:
            return []
        number = round((state.timeline.tick_at(at) - self._zero) / TICKS)
        if self._runs:
            self._song += number - self._count
        self._count = number
        return [_fault(at, "the other machine's clock is back", over=True)]

    # ---- steering -----------------------------------------------------------------------

    def _follow(self, at: int, state: State) -> list[Wish]:
        """Mend tempo and place of the beat, from the next beat on."""
        position, timeline, ticks = state.position, state.timeline, state.plan.feel.ticks
        if not position or not timeline:
            return []
        if self._looks and self._count >= self._looks[0]:
            self._looks = self._looks[1:]
            line = self._estimate.line()
            return [Lean(_mbpm(state, line.interval))] if line else []
        tick = position.tick + ticks
        left = timeline.at(tick) - state.frozen_until(at) - LEAD_NS
        if tick == self._steered or not left > _ROOM_NS:
            return []
        if left > 2 * timeline.beat_ns * TICKS // ticks + 5 * _ROOM_NS:
            return []
        line = self._estimate.line()
        if not line:
            return []
        self._steered = tick
        if self._zero is None:  # the foot has started the band before there was a clock
            self._zero = round((timeline.tick_at(at) - TICKS * line.number) / TICKS) * TICKS
        self._patience = round(3 * line.interval) + _PATIENCE_NS
        beat = _beat_ns(state.plan, line)
        off = line.at((tick - self._zero) / TICKS) - timeline.at(tick)
        if abs(off) < _FINE_NS and abs(timeline.beat_ns / beat - 1) < _FINE:
            return []
        within = _FIRMLY if abs(off) > _FAR_NS else _GENTLY
        off = max(-beat / 4, min(beat / 4, off))
        return [Steer(_mbpm(state, line.interval, off / within))]


def _beat_ns(plan: Plan, line: Line) -> float:
    return line.interval * plan.feel.ticks / TICKS


def _mbpm(state: State, interval: float, longer: float = 0.0) -> int:
    return _mbpm_of(state.plan, interval, longer)


def _mbpm_of(plan: Plan, interval: float, longer: float = 0.0) -> int:
    """The tempo of clocks so many ns apart, with `longer` ns more in each beat."""
    beat = interval * plan.feel.ticks / TICKS + longer
    return max(SLOWEST * 900, min(FASTEST * 1100, mbpm_of(beat)))


def _fault(at: int, what: str, over: bool = False) -> Fault:
    return Fault(at, what, CAUSE, over)
