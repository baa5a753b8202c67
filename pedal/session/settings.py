"""What the player has set, as far as the Session needs to know."""

from dataclasses import dataclass

from ..music.beat import PARTS

MODES = ("through", "vamp", "drill")


@dataclass(frozen=True, slots=True)
class SessionSettings:
    """`mode` is `through`, `vamp` or `drill`; `step` is what a vamp stays on: `change`, `bar`, `phrase`.

    `use` is `practice` or `band` (what flagging a change does). `parts` are who plays.
    `mark` is what the foot marks in a drill: `missed` or `clean` repetitions.
    `guide` is how the guide bass plays (`on`, `off`, `alternate`, `fading`). Every chorus is
    faster by `ramp` thousandths, up to `ceiling_mbpm` milli-beats a minute.
    With `clock_out` other machines are given the clock, with `follow_out` other lamps what to show.
    `latency_ns` is the synth's delay: lamps wait for the sound. `swing` is added to the feel's.
    """

    mode: str = "through"
    step: str = "change"
    use: str = "practice"
    parts: frozenset[str] = frozenset(PARTS)
    latency_ns: int = 0
    swing: float = 0.0
    strict: bool = False
    mark: str = "missed"
    guide: str = "on"
    ramp: int = 0
    ceiling_mbpm: int = 260_000
    clock_out: bool = False
    follow_out: bool = False
