"""The small frozen values that cross the walls of the house.

Inputs go into a `Session` and carry `at`: the moment they happened. Outputs come
out of it and carry `due`: the moment they are to happen. Both are integer
nanoseconds of `time.monotonic_ns()`, or of a simulated clock that starts at zero.

They are named tuples: a beat makes some thirty of them, and nothing that is
immutable is cheaper to make. Tell them apart by type, never by length or equality.
"""

from collections.abc import Mapping
from typing import NamedTuple

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


Value = None | bool | int | float | str | list[str]
"""What a command may carry: small and plain, as JSON can say it."""


class Command(NamedTuple):
    """Something asked for by other means than the foot: `start`, `stop`, `cue`, `tempo`, …

    The answer, `CommandDone`, has the same `id`; 0 if nobody waits for it.
    """

    at: int
    name: str
    value: Value = None
    id: int = 0


class ClockIn(NamedTuple):
    """MIDI real-time or song-position messages from another machine."""

    at: int
    data: bytes


class Loaded(NamedTuple):
    """A plan that was made outside the loop is ready (see `PlanWanted`).

    It is a `music.plan.Plan`; this room lies below that one and knows it only as an object.
    """

    at: int
    plan: object


class TemposKnown(NamedTuple):
    """What the practice log says: the clean tempo (milli-beats a minute) by the bar of each change."""

    at: int
    tune: str
    key: str
    mbpm: Mapping[int, int]


class FaultsKnown(NamedTuple):
    """What is wrong with the box now, as kinds that the lamps have patterns for."""

    at: int
    kinds: tuple[str, ...]


Input = Press | Release | Command | ClockIn | Loaded | TemposKnown | FaultsKnown

# ---- for the loop alone: what threads tell it ---------------------------------------------


class Quit(NamedTuple):
    """The box is to end."""

    at: int


class PortChanged(NamedTuple):
    """The synth's port has appeared or vanished."""

    at: int
    there: bool


class Trouble(NamedTuple):
    """Something went wrong beside the music. With a `cause` it is kept, as one of the `kind`s of faults."""

    at: int
    text: str
    cause: str | None = None
    kind: str | None = None


Notice = Quit | PortChanged | Trouble

# ---- outputs --------------------------------------------------------------------------


class Send(NamedTuple):
    """MIDI bytes for the synth. Chorus, bar and beat tell what the notes belong to."""

    due: int
    data: bytes
    part: str
    chorus: int
    bar: int
    beat: int


DEGREE_LAMPS = ("I", "IV", "V", "other")
LAMPS = (*DEGREE_LAMPS, "beat", "ready")
"""The lamps there are, in the order in which they are told."""


class Light(NamedTuple):
    """A lamp goes on or off."""

    due: int
    lamp: str
    lit: bool


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


# ---- results: what has happened, for the flight recorder, the log and whoever asked -------


class DrillProgress(NamedTuple):
    """How a drill goes: `change` is the bar of the change, `row` the clean repetitions in a row.

    `missed` is what this repetition counts as if nothing more is said; `pace` the share of the
    full tempo in thousandths; `hats` the bar of hi-hat alone; `whole` the chorus between two changes.
    """

    change: int
    repetition: int
    row: int
    missed: bool
    pace: int
    hats: bool
    whole: bool


class BeatBegan(NamedTuple):
    """A beat begins, or a late cue moves the form within one. Chorus, bar and beat count from 1.

    The count-in and an intro are chorus 0. Degree and chord are None in the count-in and in a drill's
    hi-hat bar, the next ones also where nothing comes. `armed` has some of `cue`, `last`, `drill`.
    """

    due: int
    mode: str
    chorus: int
    bar: int
    beat: int
    degree: str | None
    chord: str | None
    next_degree: str | None
    next_chord: str | None
    armed: tuple[str, ...]
    drill: DrillProgress | None


class EdgeHeard(NamedTuple):
    """A raw edge of a switch has come in."""

    due: int
    switch: str
    down: bool


class GestureDone(NamedTuple):
    """A gesture was decided: `tap`, `double` or `hold`. `reason` says why its action was ignored.

    `withdrew`: it took back what the tap before it had done.
    """

    due: int
    switch: str
    gesture: str
    action: str
    reason: str | None = None
    withdrew: bool = False


class CommandDone(NamedTuple):
    """A `Command` was carried out, or refused for a `reason`."""

    due: int
    name: str
    value: Value
    reason: str | None = None
    id: int = 0


class Stopped(NamedTuple):
    """The music is over."""

    due: int


class ChorusDone(NamedTuple):
    """A chorus is over; `mbpm` is the tempo it ended at, in milli-beats a minute."""

    due: int
    tune: str
    key: str
    mbpm: int
    chorus: int


class RepetitionDone(NamedTuple):
    """A repetition of a drill is over: `change` is the bar of the change, `pace` in thousandths."""

    due: int
    tune: str
    key: str
    mbpm: int
    change: int
    clean: bool
    pace: int


class Fault(NamedTuple):
    """The Session has found something wrong (`what`, in words), or it is `over`."""

    due: int
    what: str
    cause: str
    over: bool


Result = BeatBegan | EdgeHeard | GestureDone | CommandDone | Stopped | ChorusDone | RepetitionDone | Fault
Output = Send | Light | PlanWanted | Sync | Result
