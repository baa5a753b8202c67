"""Where the band is in the form: one beat, and what can be read off it (what follows it: `next_beat`)."""

from typing import NamedTuple

from ..music.drums import count_bars
from ..music.layout import Cell, Layout, Sounding
from ..music.plan import Plan
from .drill import Drill

FULL_PACE = 1000


class Cue(NamedTuple):
    """A cue that is armed: the tick from which it can be heard, and the beats of fill it gets.

    `late` is 0, or the tick after the bar line at which it comes because it was given too late.
    `back`: to the step before, not the one after.
    """

    tick: int
    fill: int
    late: int = 0
    back: bool = False


class FormPosition(NamedTuple):
    """One beat. Chorus, bar and beat count from 1; the count-in and an intro are chorus 0.

    `since` are the beats the chord has sounded, loops of a vamp included. `last` is the number
    of the chorus that will end, 0 while nobody has said so; `late_last` is the tick after the
    coming bar line at which the ending comes because it was asked for too late. `count_in` are
    the bars of the count-in (0: it is over); a stomped one has no sticks. `soft` and `stops`
    are how this beat is played, `soft_next` and `stops_next` what holds from the next phrase
    and from the next top. `again`: at the next bar line back to the start of this phrase. `guide`
    is how the guide bass plays. `pace` is the share of the full tempo, in thousandths; `base`
    that of this chorus, which grows by `ramp` thousandths a chorus up to `ceiling`.
    `drill_next` is the drill that takes over at the next phrase.

    A position `is_last` when its chorus is the one that ends. A late cue replaces the beat it falls in:
    `late` is the tick inside the beat at which the new chord comes, `before` the position it replaces.
    """

    mode: str
    step: str
    tick: int
    chorus: int
    bar: int
    beat: int
    since: int = 0
    cue: Cue | None = None
    last: int = 0
    hit: bool = False
    late: int = 0
    before: "FormPosition | None" = None
    late_last: int = 0
    count_in: int = 0
    stomped: bool = False
    soft: bool = False
    soft_next: bool = False
    stops: bool = False
    stops_next: bool = False
    again: bool = False
    guide: str = "on"
    pace: int = FULL_PACE
    base: int = FULL_PACE
    ramp: int = 0
    ceiling: int = FULL_PACE
    drill: Drill | None = None
    drill_next: Drill | None = None

    @property
    def counting(self) -> bool:
        """Whether this is a beat of the count-in."""
        return self.count_in > 0

    @property
    def hats(self) -> bool:
        """Whether this is the drill's bar of time alone."""
        return self.drill is not None and self.drill.hats

    @property
    def is_last(self) -> bool:
        """Whether this chorus is the one with the ending."""
        return self.last == self.chorus > 0


def count_in(plan: Plan, mode: str, step: str, mbpm: int) -> FormPosition:
    """The first beat of a count-in at a tempo; tick 0 is here."""
    return FormPosition(mode, step, 0, 0, 1, 1, count_in=count_bars(plan.feel.count, mbpm))


def stomped_in(plan: Plan, mode: str, step: str) -> FormPosition:
    """The last beat of a count-in that the foot has stomped."""
    return FormPosition(mode, step, 0, 0, 1, plan.feel.beats, count_in=1, stomped=True)


def cells(plan: Plan, position: FormPosition) -> Layout:
    """The layout this chorus is played from."""
    return plan.last if position.is_last else plan.layout


def first_bar(plan: Plan, position: FormPosition) -> int:
    """The bar that the count-in leads to."""
    if position.drill:
        return position.drill.bar
    return plan.intro_bar or 1


def cell(plan: Plan, position: FormPosition) -> Cell:
    """The position's beat in the plan; in the count-in, the beat it leads to."""
    if position.counting:
        return plan.layout[first_bar(plan, position) - 1][0]
    return cells(plan, position)[position.bar - 1][position.beat - 1]


def by_clock(plan: Plan, position: FormPosition) -> bool:
    """Whether the form moves on by itself: not so while a vamp waits for its cue."""
    if position.mode != "vamp" or position.chorus == 0:
        return True
    return position.is_last and position.bar >= min(plan.tune.form.phrases[-1], plan.ending_bar)


def cued(plan: Plan, position: FormPosition, tick: int) -> FormPosition:
    """The first beat of the step after this one, at `tick`."""
    bar = target(plan, position)
    wraps = bar <= position.bar and not (position.cue and position.cue.back)
    there = enter(plan, position, position.chorus + wraps, bar)
    return there._replace(tick=tick, hit=position.cue is not None)


def target(plan: Plan, position: FormPosition) -> int:
    """The first bar of the step that a cue leads to."""
    if position.cue and position.cue.back:
        start = plan.step_start(position.step, position.bar)
        return plan.step_start(position.step, start - 1) if start > 1 else 1
    return plan.next_step(position.step, position.bar)


def leave_drill(plan: Plan, position: FormPosition) -> FormPosition:
    """The same beat, going through the form again by the clock, at the full tempo from the next beat.

    An ending that is on is played to its end.
    """
    last = position.last if position.drill and position.drill.ends else 0
    there = position._replace(mode="through", drill=None, last=last)
    return there._replace(since=cell(plan, there).beats_in)


def enter(plan: Plan, position: FormPosition, chorus: int, bar: int) -> FormPosition:
    """The first beat of a bar, as the bar line leaves it: nothing armed for the line just passed."""
    return position._replace(
        tick=position.tick + plan.feel.ticks,
        chorus=chorus,
        bar=bar,
        beat=1,
        since=0,
        cue=None,
        hit=False,
        late=0,
        before=None,
        late_last=0,
        again=False,
        soft=position.soft_next if bar in plan.tune.form.phrases else position.soft,
        stops=position.stops_next if bar == 1 else position.stops,
        stops_next=position.stops_next and bar != 1,
    )


def coming_step(plan: Plan, position: FormPosition) -> Sounding:
    """The chord that a waiting vamp goes to when it is cued."""
    bar = target(plan, position)
    layout = cells(plan, position) if bar > position.bar else plan.layout
    return layout[bar - 1][0].sounding[0]


def step_left(plan: Plan, position: FormPosition) -> int:
    """Beats to the end of the vamp step, this one included."""
    following = plan.next_step(position.step, position.bar)
    last_bar = following - 1 if following > 1 else len(plan.layout)
    return (last_bar - position.bar) * plan.feel.beats + plan.feel.beats - position.beat + 1
