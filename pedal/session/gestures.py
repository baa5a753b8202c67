"""From raw switch edges to gestures: tap, double, hold.

Debounce first. The first edge counts at once; then the switch is locked out, and the last
edge of the lock-out decides the level:

    contact   ____|‾|_|‾‾‾‾‾‾‾‾‾‾‾|_|‾|______
    lock-out      |-----50 ms--|  |-----50 ms--|
    accepted      press           release

Foot pedals have been measured bouncing for 11 to 40 ms (open measurements of switches, see
tests/session/test_gestures.py). Then gestures. A tap is decided at the press, because a foot
that waits for its answer is late; what it set off is withdrawn if a double or a hold follows.

    state of a switch      press                      release     time
    up                     tap  -> first
    first (down)                                      up, waits   700 ms after the press: hold
    up, waits (350 ms)     double -> second                       350 ms after the press: up
    second, held, dead                                up

Two switches pressed within 60 ms of each other are one clumsy foot: the first wins, and the
other is dead until both are up.
"""

from typing import NamedTuple

from ..events import NS_PER_MS

LOCK_OUT_NS = 50 * NS_PER_MS
DOUBLE_NS = 350 * NS_PER_MS
HOLD_NS = 700 * NS_PER_MS
TWO_FEET_NS = 60 * NS_PER_MS


class Gesture(NamedTuple):
    """A decided gesture: `kind` is `tap`, `double` or `hold`; `at` is when it was decided."""

    at: int
    switch: str
    kind: str


class _Contact:
    __slots__ = ("dead", "down", "first_at", "hold_at", "locked_until", "pressed_at", "raw")

    def __init__(self) -> None:
        self.down = False  # the accepted level
        self.raw = False  # the level of the last edge
        self.locked_until: int | None = None
        self.pressed_at: int | None = None  # last accepted press, for two feet at once
        self.first_at: int | None = None  # a tap that a second press would make a double
        self.hold_at: int | None = None
        self.dead = False

    def timer(self) -> int | None:
        """When this switch next needs attention."""
        lock = self.locked_until if self.raw != self.down else None
        times = [time for time in (lock, self.hold_at) if time is not None]
        return min(times, default=None)


class Foot:
    """All switches of one player. Feed it edges in order of time; ask it to `advance`."""

    def __init__(self) -> None:
        self._switches: dict[str, _Contact] = {}
        self._deadline: int | None = None

    def edge(self, at: int, name: str, down: bool) -> list[Gesture]:
        """A raw edge; returns the gestures decided by it and before it."""
        decided = self.advance(at)
        switch = self._switches.setdefault(name, _Contact())
        switch.raw = down
        locked = switch.locked_until is not None and at < switch.locked_until
        if not locked and down != switch.down:
            decided += self._accept(at, name, switch)
        self._deadline = self._next_timer()
        return decided

    def advance(self, now: int) -> list[Gesture]:
        """Let time pass to `now`; returns the gestures decided on the way."""
        decided: list[Gesture] = []
        while True:
            due = [
                (time, name)
                for name, switch in self._switches.items()
                if (time := switch.timer()) is not None
            ]
            if not due or min(due)[0] > now:
                self._deadline = self._next_timer()
                return decided
            time, name = min(due)
            switch = self._switches[name]
            if switch.hold_at == time and (switch.raw == switch.down or switch.locked_until != time):
                switch.hold_at = switch.first_at = None
                decided.append(Gesture(time, name, "hold"))
            else:
                decided += self._accept(time, name, switch)

    def deadline(self) -> int | None:
        """When `advance` next has something to decide."""
        return self._deadline

    def _next_timer(self) -> int | None:
        times = [time for switch in self._switches.values() if (time := switch.timer()) is not None]
        return min(times, default=None)

    def _accept(self, at: int, name: str, switch: _Contact) -> list[Gesture]:
        switch.down = switch.raw
        switch.locked_until = at + LOCK_OUT_NS
        if not switch.down:
            switch.hold_at = None
            if all(not other.down for other in self._switches.values()):
                for other in self._switches.values():
                    other.dead = False
            return []
        others = [other for key, other in self._switches.items() if key != name]
        if any(other.pressed_at is not None and at - other.pressed_at < TWO_FEET_NS for other in others):
            switch.dead = True
        if switch.dead:
            return []
        switch.pressed_at = at
        if switch.first_at is not None and at - switch.first_at <= DOUBLE_NS:
            switch.first_at = None
            return [Gesture(at, name, "double")]
        switch.first_at = at
        switch.hold_at = at + HOLD_NS
        return [Gesture(at, name, "tap")]
