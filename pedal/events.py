"""The small frozen values that cross the walls of the house.

Inputs go into a `Session` and carry `at`: the moment they happened. Outputs come
out of it and carry `due`: the moment they are to happen. Both are integer
nanoseconds of `time.monotonic_ns()`, or of a simulated clock that starts at zero.

They are named tuples: a beat makes some thirty of them, and nothing that is
immutable is cheaper to make. Tell them apart by type, never by length or equality.
"""

from collections.abc import Mapping
from typing import Any, NamedTuple

NS_PER_MS = 1_000_000
NS_PER_S = 1_000_000_000

# ---- inputs ---------------------------------------------------------------------------


class Press(NamedTuple):
    """A switch closed (a raw edge: the Session debounces)."""

    at: int
    switch: str = "main"


class Release(NamedTuple):
    """A switch opened (a raw edge)."""

    at: int
    switch: str = "main"


class Command(NamedTuple):
    """Something asked for by other means than the foot: `start`, `stop`, `cue`, `tempo`, …"""

    at: int
    name: str
    value: Any = None


class ClockIn(NamedTuple):
    """A MIDI real-time or song-position message from another machine."""

    at: int
    data: bytes


class Loaded(NamedTuple):
    """A plan that was made outside the loop is ready (see `PlanWanted`)."""

    at: int
    plan: Any


Input = Press | Release | Command | ClockIn | Loaded

# ---- outputs --------------------------------------------------------------------------


class Send(NamedTuple):
    """MIDI bytes for the synth. Chorus, bar and beat tell what the notes belong to."""

    due: int
    data: bytes
    part: str
    chorus: int
    bar: int
    beat: int


class Light(NamedTuple):
    """A lamp goes on or off."""

    due: int
    lamp: str
    lit: bool


class Mark(NamedTuple):
    """A line for the flight recorder: `position`, `press`, `gesture` or `fault`."""

    due: int
    kind: str
    fields: Mapping[str, Any]


class PlanWanted(NamedTuple):
    """The Session needs another plan; whoever runs it answers with `Loaded`.

    Key and tempo (milli-beats a minute) are None for the tune's own. With
    `lead` the chorus is to lead into that key.
    """

    due: int
    tune: str
    key: str | None
    mbpm: int | None = None
    lead: str | None = None


class Sync(NamedTuple):
    """MIDI bytes for others who play along: `to` is `clock` (tempo and transport) or `follow` (lamps).

    They can wait for the notes, and nothing is spun for them.
    """

    due: int
    data: bytes
    to: str


Output = Send | Light | Mark | PlanWanted | Sync
