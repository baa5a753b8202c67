"""Who plays along, watched: a machine that gets our clock, lamps on a bad cable; and the practice log."""

import os
import random
import tempfile
from collections import deque
from contextlib import closing
from heapq import heappop, heappush
from pathlib import Path

from pedal.events import NS_PER_MS as MS
from pedal.events import NS_PER_S as S
from pedal.events import BeatBegan, ChorusDone, Light, RepetitionDone, Result, Stopped, Sync
from pedal.practice_log.store import Chorus, Reader, Repetition
from pedal.practice_log.writer import LogWriter
from pedal.session.session import Session
from pedal.session.sync.clock_out import TICKS
from pedal.session.sync.lamp_receiver import LampReceiver
from pedal.session.sync.midi_stream import CLOCK, CONTINUE, SONG_POSITION, START, STOP, sixteenths_of

from .form import Broken

GOOD_MS = 1  # a message that came so soon came in time
NEAR_NS = 6 * MS  # messages tell whole milliseconds
LONGEST_GAP_NS = 200 * MS  # between clocks, at the slowest tempo there is
CATCH_UP_NS = 30 * MS  # from a start that came with another machine's clock


def need(holds: object, *what: object) -> None:
    if not holds:
        raise Broken(" ".join(map(str, what)))


class ClockFollower:
    """A machine that gets our clock, as the standard describes it: where its song is by what it has heard."""

    def __init__(self) -> None:
        self._runs, self._pending, self._song = False, False, 0
        self._told_at = self._last = -S
        self._first = True
        self._played: deque[tuple[int, int]] = deque(maxlen=400)
        self.beats = 0

    def hear(self, sync: Sync) -> None:
        kind, due = sync.data[0], sync.due
        if kind == CLOCK:
            need(self._first or due - self._last <= LONGEST_GAP_NS, "no clock for long until", due)
            caught_up = due - self._told_at < CATCH_UP_NS  # what it has missed it gets at once
            need(due > self._last or caught_up, "two clocks at once at", due)
            self._last, self._first = due, False
            if self._pending:
                need(due - self._told_at >= MS, "less than a millisecond from start to clock at", due)
                self._runs, self._pending = True, False
            if self._runs:
                self._played.append((due, self._song))
                self._song += 1
        elif kind in (START, CONTINUE):
            need(not self._runs, "a start while it plays at", due)
            self._pending, self._told_at = True, due
            self._song = 0 if kind == START else self._song
        elif kind == STOP:
            need(self._runs or self._pending, "a stop while it does not play at", due)
            self._runs = self._pending = False
            self._played.clear()
        else:
            need(kind == SONG_POSITION and not self._runs, "a song position while it plays at", due)
            self._song = 6 * sixteenths_of(sync.data)

    def on_the_beat(self, mark: BeatBegan, ticks: int) -> None:
        """A beat that nothing has moved began with a clock, and with one that begins a beat of its song."""
        if not self._played or mark.due <= self._played[0][0]:
            return
        song = next((song for due, song in reversed(self._played) if abs(due - mark.due) <= 1000), None)
        need(song is not None and song % (ticks // TICKS) == 0, "no clock with the beat:", song, mark)
        self.beats += 1


class Lamps:
    """A follower, at the end of a cable that loses, doubles and keeps back. Its lamps are the leader's."""

    def __init__(self, seed: int, now: int) -> None:
        self._dice = random.Random(seed)
        self._bad = self._dice.choice((0.0, 0.0, 0.05, 0.3))
        self._follower = LampReceiver(now)
        self._cable: list[tuple[int, int, bytes]] = []
        self._sent = 0
        self._good: deque[int] = deque(maxlen=6)  # when the last messages came, all in time
        self._leader: deque[tuple[int, frozenset[str]]] = deque([(0, frozenset())], maxlen=400)
        self._shown: deque[tuple[int, frozenset[str]]] = deque([(0, frozenset())], maxlen=400)
        self._rises: deque[int] = deque()
        self._restless = now  # the limit on flashes may hold one back for a second
        self.looks = 0

    def lights(self, light: Light) -> None:
        """A lamp of the leader."""
        _switch(self._leader, light)

    def sends(self, sync: Sync) -> None:
        """A message of the leader."""
        dice, self._sent = self._dice, self._sent + 1
        if dice.random() >= self._bad:
            heappush(self._cable, (sync.due, 3 * self._sent, sync.data))
            return
        heappush(self._cable, (sync.due, 3 * self._sent, b""))  # here it should have come
        for copy in range(dice.choice((0, 0, 1, 2))):
            late = dice.choice((1, 20, 90, 400, 3000)) * MS
            heappush(self._cable, (sync.due + late, 3 * self._sent + copy + 1, sync.data))

    def until(self, now: int) -> None:
        """Everything that comes until now; all that the leader does until then is known."""
        while self._cable and self._cable[0][0] <= now:
            at, number, data = heappop(self._cable)
            self._look(at)
            self._follower.hear(at, data)
            if number % 3 == 0 and data:
                self._good.append(at)
            else:
                self._good.clear()
        self._take(now)

    def _look(self, at: int) -> None:
        """Just before another message: as the last one has told it?"""
        if len(self._good) == self._good.maxlen and self._good[-1] - self._good[0] > S:
            moment = self._good[-1] + NEAR_NS + self._dice.randrange(S // 4)
            if moment < at - NEAR_NS:
                self._take(at)
                self._compare(moment)
        self._take(at)

    def _compare(self, moment: int) -> None:
        if self._restless > moment - 2 * S:
            return
        shown = next((lamps for due, lamps in reversed(self._shown) if due <= moment), None)
        lit = [lamps for due, lamps in self._leader if moment - NEAR_NS < due <= moment + NEAR_NS]
        lit += [lamps for due, lamps in self._leader if due <= moment - NEAR_NS][-1:]
        if shown is not None:
            told = [sorted(one) for one in lit]
            need(shown in lit, "a follower shows", sorted(shown), "and not", told, "at", moment)
            self.looks += 1

    def _take(self, now: int) -> None:
        for light in self._follower.take(now):
            _switch(self._shown, light)
            if light.lit and (not self._rises or light.due - self._rises[-1] > MS):
                self._rises.append(light.due)
            while self._rises and self._rises[0] <= light.due - S:
                self._rises.popleft()
            if len(self._rises) > 2:
                self._restless = light.due


def _switch(course: deque[tuple[int, frozenset[str]]], light: Light) -> None:
    """Add what is lit from now on."""
    lit = course[-1][1]
    need((light.lamp in lit) != light.lit, "a lamp set to what it is:", light)
    course.append((light.due, lit | {light.lamp} if light.lit else lit - {light.lamp}))


class Company:
    """Whoever plays along with one Session."""

    def __init__(self, session: Session, seed: int) -> None:
        self._clocked = ClockFollower() if session.settings.clock_out else None
        self._lamps = Lamps(seed, session.now) if session.settings.follow_out else None

    def told(self, sync: Sync) -> None:
        """Something for others."""
        if sync.to == "clock" and self._clocked:
            self._clocked.hear(sync)
        elif sync.to == "follow" and self._lamps:
            self._lamps.sends(sync)

    def lit(self, light: Light) -> None:
        """A lamp of the leader."""
        if self._lamps:
            self._lamps.lights(light)

    def beat(self, beat: BeatBegan, ticks: int) -> None:
        """A beat that nothing has moved."""
        if self._clocked:
            self._clocked.on_the_beat(beat, ticks)

    def until(self, now: int) -> None:
        """All that the leader does until now is known."""
        if self._lamps:
            self._lamps.until(now)

    def count(self, counts: dict[str, int]) -> None:
        """Add what was seen."""
        beats, looks = self._clocked and self._clocked.beats, self._lamps and self._lamps.looks
        for what, number in (("beats with a clock", beats), ("looks at followers", looks)):
            if number:
                counts[what] = counts.get(what, 0) + number


class Diary:
    """The marks for the practice log. At the end they are written, and must be there as often."""

    def __init__(self) -> None:
        self._marks: list[ChorusDone | RepetitionDone] = []
        self._last: BeatBegan | None = None
        self._before: BeatBegan | None = None  # the position before the last
        self._wraps = 0
        self._late = False  # the last wrap was by a cue after the line: it may be told with the next beat
        self._untold = 0  # those where there was none
        self._wrapped_at = -1
        self._early = 0  # choruses told at a line that a late cue was to come after, where a stop came first
        self._choruses: list[int] = []
        self._ends: set[int] = set()

    def look(self, mark: Result, bars: int) -> None:
        """Any result. `bars` has a chorus."""
        if isinstance(mark, ChorusDone | RepetitionDone):
            self._marks.append(mark)
            # (A drill that is left in its last bar ends a chorus, too: not one to be counted here.)
            drilled = any(at and at.mode == "drill" for at in (self._last, self._led_to(mark.due)))
            if isinstance(mark, ChorusDone) and not drilled:
                self._choruses.append(mark.due)
        elif isinstance(mark, Stopped):
            if not self._last or self._last.due != mark.due:  # else it was stopped as the next one began
                self._ends.add(mark.due)
            self._untold += self._late
            if self._last and self._choruses[-1:] == [self._last.due] != [self._wrapped_at]:
                self._early += 1
            self._last, self._late = None, False
        elif isinstance(mark, BeatBegan):
            self._place(mark, bars)

    def _led_to(self, due: int) -> BeatBegan | None:
        """The position before the one that began then."""
        return self._before if self._last and self._last.due == due else None

    def _place(self, mark: BeatBegan, bars: int) -> None:
        last, fields = self._last, mark
        self._late = False
        if last and last.chorus and last.mode != "drill" != fields.mode:
            late = fields.beat == last.beat == 1  # a cue that came after the line
            whence = self._before if late else last
            wraps = fields.chorus > last.chorus and whence and whence.bar >= bars
            if wraps:
                self._wraps += 1
                self._wrapped_at = mark.due
            self._late = bool(late and wraps)
        self._before, self._last = last, mark

    def close(self) -> dict[str, int]:
        """Write it as the box does, read it again, and compare. Returns what was counted."""
        played = [due for due in self._choruses if due not in self._ends]
        told = self._wraps - self._untold <= len(played) <= self._wraps + self._early
        need(told, f"{len(played)} choruses were noted, and {self._wraps} went by")
        kinds = {"chorus": 0, "repetition": 0}
        with tempfile.TemporaryDirectory(dir=_in_memory(), prefix="pedal-diary-") as folder:
            path, now = Path(folder) / "practice.sqlite", 1e9
            writer = LogWriter(path, capacity=len(self._marks) + 2, now=lambda: now)
            for mark in self._marks:
                now = 1e9 + mark.due / S
                kinds["chorus" if isinstance(mark, ChorusDone) else "repetition"] += 1
                writer.take(mark)
            writer.close()
            need(writer.dropped == 0 and writer.error is None, "the log lost something:", writer.error)
            with closing(Reader(path)) as reader:
                kept: list[Chorus | Repetition] = [*reader.choruses(), *reader.repetitions()]
        counted = {kind: sum(isinstance(one, row) for one in kept) for kind, row in _ROWS.items()}
        need(counted == kinds, "in the log are", counted, "and there were", kinds)
        return {"choruses": kinds["chorus"], "repetitions": kinds["repetition"]}


_ROWS: dict[str, type] = {"chorus": Chorus, "repetition": Repetition}


def _in_memory() -> str | None:
    return "/dev/shm" if os.access("/dev/shm", os.W_OK) else None
