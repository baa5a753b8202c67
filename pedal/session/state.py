"""Everything that a Session remembers: one frozen value.

A rhythm section led by a foot is five small machines that lean on each other. Each has a page of
code of its own; what they know of each other stands here.

**The band** (`phase`) is stopped, counting, playing or in the ending. A start, by foot, by command
or by another machine's clock, gives it a `position` and a `timeline`; a stop takes both away.
Nothing else may set one without the other. What a beat becomes at its end is the table of rules in
`next_beat`; that the last one has no successor is how an ending ends.

**The form's mode** (`position.mode`) is through, vamp or drill: does the clock move the form, the
foot, or a drill's own plan? The mode of the settings is that of the next start; while the band
plays, the position's own counts, because a drill may have been entered from the form and goes back.

**What is armed** are fields of the position, because it is used up where the form passes: a `cue`
at the next bar line, the `last` chorus, `again` at the next bar line, `soft_next` at the next
phrase, `stops_next` at the next top, `drill_next` at the next phrase. A bar line that is passed
takes with it what is meant for one line (`form_position.enter`); `soft_next` stays, `last` and `drill_next`
wait for their chorus and phrase. Two things outlive the bar line they belong to, and stand here:
`waited` (a cue that comes a moment late may still move this line) and `rest_until` (a tap that comes
a moment after the change is the same foot, still).

**The foot** decides at the press, because who waits for an answer is late; so what a tap has done
may have to be `undo`ne when a second press makes it a double. Undoing is data: the fields as they
were, and the tick after which it is too late. A gesture means what it means in the state in which
its tap fell (`tapped_in`): a phrase may end under a foot. From the last count to beat 3 the foot is
`deaf` to all but a hold. `stomps` is a count-in that is being stomped, `taps` a tempo being tapped.

**Whose tempo it is**: `mbpm` is the player's own, for the next start; `full_mbpm` what the band plays
at now, before a drill's or a ritard's share of it (`position.pace`). While another machine leads
(`follows`) the second is its own, paces do not count, and the first is kept for later.

Its known weakness: `position.pace` and the timeline say the same thing twice. They are brought
together at one place only (`Session._next_beat`), so a new way to change the pace belongs into the
rules of `next_beat`, never into an action. Who adds an armed field adds it to `carried` there
as well: a beat whose downbeat has left is played as it was composed, and what was armed moves on
to it.

Who changes this page changes the action table (`action_table`) and the lamps (`lamp_patterns`) with
it, and gives the simulation's watch something to look at.
"""

from collections.abc import Mapping
from typing import NamedTuple

from ..events import NS_PER_MS
from ..music.beat import Band
from ..music.pitch import Key
from ..music.plan import Plan
from ..music.timeline import Timeline
from .drill import Loop
from .entry import Setlist
from .form_position import FormPosition
from .settings import SessionSettings

FREEZE_NS = 20 * NS_PER_MS

STOPPED, COUNTING, PLAYING, ENDING = "stopped", "counting", "playing", "ending"


class Undo(NamedTuple):
    """What a tap has changed: dotted names of fields of the State, and what they were.

    After the tick `until` it is too late: what the tap did has sounded.
    """

    fields: tuple[tuple[str, object], ...]
    until: int | None = None


class State(NamedTuple):
    """See the module's words. Times are ns, tempos milli-beats a minute.

    `now`: what was due until here is out and final. `follows`: another machine's clock leads. (The
    Session sets both whenever it hands its State to an action.)
    """

    plan: Plan
    settings: SessionSettings
    band: Band
    setlist: Setlist
    wanted_key: Key
    mbpm: int
    full_mbpm: int
    now: int = 0
    follows: bool = False
    position: FormPosition | None = None
    timeline: Timeline | None = None
    waiting_plan: Plan | None = None
    start_at: int | None = None  # when a routine's next step begins by itself
    waited: bool = False
    rest_until: int = 0
    deaf: bool = False
    stomps: tuple[int, ...] = ()
    taps: tuple[int, ...] = ()
    undo: Mapping[str, Undo] = {}  # by switch, what takes back its last tap
    tapped_in: Mapping[str, str] = {}  # by switch, what the foot map called the state its last tap fell in
    flags: tuple[Loop, ...] = ()
    clean: Mapping[tuple[str, str], Mapping[int, int]] = {}  # by tune and key: clean tempo by bar

    @property
    def mode(self) -> str:
        """What the foot map calls it: `stopped`, `through`, `vamp`, `drill`."""
        return self.position.mode if self.position else STOPPED

    @property
    def phase(self) -> str:
        """STOPPED, COUNTING, PLAYING or ENDING."""
        position = self.position
        if position is None:
            return STOPPED
        if position.counting:
            return COUNTING
        return ENDING if position.is_last and position.bar >= self.plan.ending_bar else PLAYING

    @property
    def waiting_tune(self) -> str | None:
        """Another tune that waits for this one to stop."""
        waits = self.waiting_plan
        return waits.tune.name if waits and waits.tune != self.plan.tune else None

    def frozen_until(self, at: int) -> int:
        """The last moment that an input at `at` leaves as it is."""
        return max(at + FREEZE_NS, self.now)
