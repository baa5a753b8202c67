"""Where the band is in the form, and which beat comes next.

A `FormPosition` is one beat. `next_beat` gives the beat after it:

    stage   at the end of a bar                             goes to
    count   more bars to count                              next bar of the count
            else                                            the intro if there is one, else bar 1
    intro   (by the clock)                                  next bar; then bar 1 of chorus 1
    form    through                                         next bar; after the last, bar 1
            vamp, cue armed                                 first bar of the next step
            vamp, last time armed and in the last phrase    next bar, as in through
            vamp otherwise                                  next bar of the step, or its first
            drill                                           see `drill`
    last    next bar; after the ending's last beat          None: it is over

A position is `last` when its chorus is the one that ends. A late cue replaces the beat it falls in:
`late` is the tick inside the beat at which the new chord comes, `before` the position it replaces.
"""

from typing import NamedTuple

from ..music.drums import count_bars
from ..music.layout import Cell, Layout, Sounding
from ..music.plan import Plan
from . import drill as drilling
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
    coming bar line at which the ending comes because it was asked for too late. `count` are
    the bars of the count-in (0: it is over); a stomped one has no sticks. `soft` and `stops`
    are how this beat is played, `soft_next` and `stops_next` what holds from the next phrase
    and from the next top. `again`: at the next bar line back to the start of this phrase. `guide`
    is how the guide bass plays. `pace` is the share of the full tempo, in thousandths; `base`
    that of this chorus, which grows by `ramp` thousandths a chorus up to `ceiling`.
    `drill_next` is the drill that takes over at the next phrase.
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
    count: int = 0
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
        return self.count > 0

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
    return FormPosition(mode, step, 0, 0, 1, 1, count=count_bars(plan.feel.count, mbpm))


def stomped_in(plan: Plan, mode: str, step: str) -> FormPosition:
    """The last beat of a count-in that the foot has stomped."""
    return FormPosition(mode, step, 0, 0, 1, plan.feel.beats, count=1, stomped=True)


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


def next_beat(plan: Plan, position: FormPosition) -> FormPosition | None:
    """The beat after this one; None after the last beat of the ending."""
    if position.beat < plan.feel.beats:
        tick = position.tick + plan.feel.ticks
        beyond = position._replace(tick=tick, beat=position.beat + 1, hit=False, late=0, before=None)
        return beyond._replace(since=_since(plan, position, beyond), pace=_pace(plan, beyond))
    if position.counting:
        return _counted(plan, position)
    if position.drill:
        return _drilled(plan, position, position.drill)
    if position.late_last:
        stayed = next_beat(plan, position._replace(last=0, late_last=0))
        there = next_beat(plan, position._replace(late_last=0))
        return there and there._replace(late=position.late_last, before=stayed)
    if position.again and position.chorus > 0:
        return _at_bar(plan, position, position.chorus, plan.step_start("phrase", position.bar))
    if by_clock(plan, position):
        ahead = position.bar + 1 if position.bar < len(cells(plan, position)) else 1
        takes_over = position.drill_next and ahead in plan.tune.form.phrases and not position.is_last
        if (
            position.drill_next
            and takes_over
            and position.tick + plan.feel.ticks >= position.drill_next.not_before
        ):
            return enter_drill(plan, position, position.drill_next)
        if position.bar < len(cells(plan, position)):
            return _at_bar(plan, position, position.chorus, position.bar + 1)
        return None if position.is_last else _at_bar(plan, position, position.chorus + 1, 1)
    if position.cue:
        there = cued(plan, position, position.tick + plan.feel.ticks)
        if not position.cue.late:
            return there
        stayed = next_beat(plan, position._replace(cue=None))
        return there._replace(hit=False, late=position.cue.late, before=stayed)
    start, following = (
        plan.step_start(position.step, position.bar),
        plan.next_step(position.step, position.bar),
    )
    ends = position.bar + 1 == following or (following == 1 and position.bar == len(plan.layout))
    return _at_bar(plan, position, position.chorus, start if ends else position.bar + 1)


def carried(frozen: FormPosition, there: FormPosition, position: FormPosition) -> FormPosition:
    """The next beat when its downbeat is too close to be taken back.

    `frozen` is what was composed, `there` what should follow `position` now. If they are different
    places, the frozen one is played, and what `position` has armed counts from there.
    """
    if there.before or (frozen.chorus, frozen.bar, frozen.beat) == (there.chorus, there.bar, there.beat):
        return there
    return frozen._replace(
        mode=position.mode,
        drill=frozen.drill if position.drill else None,
        drill_next=position.drill_next,
        last=position.last,
        again=position.again,
        guide=position.guide,
        soft_next=position.soft_next,
        stops_next=position.stops_next,
    )


def cued(plan: Plan, position: FormPosition, tick: int) -> FormPosition:
    """The first beat of the step after this one, at `tick`."""
    bar = target(plan, position)
    wraps = bar <= position.bar and not (position.cue and position.cue.back)
    there = _enter(plan, position, position.chorus + wraps, bar)
    return there._replace(tick=tick, hit=position.cue is not None)


def target(plan: Plan, position: FormPosition) -> int:
    """The first bar of the step that a cue leads to."""
    if position.cue and position.cue.back:
        start = plan.step_start(position.step, position.bar)
        return plan.step_start(position.step, start - 1) if start > 1 else 1
    return plan.next_step(position.step, position.bar)


def _counted(plan: Plan, position: FormPosition) -> FormPosition:
    if position.bar < position.count:
        return position._replace(tick=position.tick + plan.feel.ticks, bar=position.bar + 1, beat=1)
    bar = first_bar(plan, position)
    chorus = 0 if plan.intro_bar and not position.drill else 1
    there = _enter(plan, position, chorus, bar)._replace(count=0, stomped=False, hit=True)
    return there._replace(since=plan.layout[bar - 1][0].beats_in)


def _drilled(plan: Plan, position: FormPosition, drill: Drill) -> FormPosition | None:
    """The bar after this one in a drill, where the whole chorus at its end is an ordinary one."""
    if drill.ends and position.bar == len(plan.last):
        return None
    return enter_drill(plan, position, drilling.next_bar(plan, drill, position.bar, 60 * 10**12 // plan.mbpm))


def enter_drill(plan: Plan, position: FormPosition, drill: Drill) -> FormPosition:
    """The bar of a drill that comes after this one."""
    there = _enter(plan, position, drill.repetition, drill.bar)
    last = drill.repetition if drill.ends else 0
    there = there._replace(mode="drill", drill=drill, drill_next=None, pace=drill.pace, last=last)
    return there._replace(since=cell(plan, there).beats_in)


def leave_drill(plan: Plan, position: FormPosition) -> FormPosition:
    """The same beat, going through the form again by the clock, at the full tempo from the next beat.

    An ending that is on is played to its end.
    """
    last = position.last if position.drill and position.drill.ends else 0
    there = position._replace(mode="through", drill=None, last=last)
    return there._replace(since=cell(plan, there).beats_in)


def _enter(plan: Plan, position: FormPosition, chorus: int, bar: int) -> FormPosition:
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


def _at_bar(plan: Plan, position: FormPosition, chorus: int, bar: int) -> FormPosition:
    """The first beat of a bar that the clock leads to."""
    there = _enter(plan, position, chorus, bar)
    base = position.base
    if chorus > position.chorus > 0 and position.ramp:
        base = max(base, min(position.ceiling, round(base * (1000 + position.ramp) / 1000)))
    there = there._replace(hit=position.mode == "through" and bar == 1 and chorus % 2 == 1, base=base)
    return there._replace(since=_since(plan, position, there), pace=_pace(plan, there))


def _since(plan: Plan, position: FormPosition, there: FormPosition) -> int:
    """Beats the chord of `there` has sounded: a vamp goes on counting through its loops."""
    now = cell(plan, there)
    if there.mode != "vamp":
        return now.beats_in
    same = cell(plan, position).sounding[-1].chord == now.sounding[0].chord
    return position.since + 1 if same else now.beats_in


def _pace(plan: Plan, there: FormPosition) -> int:
    """Slow feels broaden into their last chord: evenly over the form's last bar, then as they are."""
    if there.drill:
        return there.drill.pace
    ritard = plan.tune.ending.ritard
    if not ritard or not there.is_last or there.bar < len(plan.layout):
        return there.base
    done = (there.bar - len(plan.layout)) * plan.feel.beats + there.beat - 1
    return round(there.base * (1 - ritard * min(1, done / plan.feel.beats)))


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
