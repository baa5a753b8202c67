"""Where the band is in the form, and which beat comes next.

A `Walk` is one beat. `onward` gives the beat after it:

    stage   at the end of a bar                             goes to
    count   more bars to count                              next bar of the count
            else                                            bar 1 of chorus 1
    form    through                                         next bar; after the last, bar 1
            vamp, cue armed                                 first bar of the next step
            vamp, last time armed and in the last phrase    next bar, as in through
            vamp otherwise                                  next bar of the step, or its first
    last    next bar; after the ending's last beat          None: it is over

A walk is `last` when its chorus is the one that ends. A late cue replaces the beat it falls in:
`late` is the tick inside the beat at which the new chord comes, `before` the walk it replaces.
"""

from dataclasses import dataclass, replace
from typing import NamedTuple

from ..score.beat import PHRASE_END, TOP_FILL, Here
from ..score.drums import count_bars, count_strokes
from ..score.plan import Cell, Layout, Plan, Sounding


class Cue(NamedTuple):
    """A cue that is armed: the tick from which it can be heard, and the beats of fill it gets.

    `late` is 0, or the tick after the bar line at which it comes because it was given too late.
    """

    tick: int
    fill: int
    late: int = 0


@dataclass(frozen=True, slots=True)
class Walk:
    """One beat. Chorus, bar and beat count from 1; the count-in is chorus 0.

    `since` are the beats the chord has sounded, loops of a vamp included. `last` is the number
    of the chorus that will end, 0 while nobody has said so; `late_last` is the tick after the
    coming bar line at which the ending comes because it was asked for too late. `count` are
    the bars of the count-in; a stomped one has no sticks.
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
    before: "Walk | None" = None
    late_last: int = 0
    count: int = 1
    stomped: bool = False

    @property
    def counting(self) -> bool:
        return self.chorus == 0

    @property
    def is_last(self) -> bool:
        """Whether this chorus is the one with the ending."""
        return self.last == self.chorus and not self.counting


def count_in(plan: Plan, mode: str, step: str, mbpm: int) -> Walk:
    """The first beat of a count-in at a tempo; tick 0 is here."""
    return Walk(mode, step, 0, 0, 1, 1, count=count_bars(plan.feel.count, mbpm))


def stomped_in(plan: Plan, mode: str, step: str) -> Walk:
    """The last beat of a count-in that the foot has stomped."""
    return Walk(mode, step, 0, 0, 1, plan.feel.beats, stomped=True)


def cells(plan: Plan, walk: Walk) -> Layout:
    """The layout this chorus is played from."""
    return plan.last if walk.is_last else plan.layout


def cell(plan: Plan, walk: Walk) -> Cell:
    """The walk's beat in the plan; in the count-in, the beat it leads to."""
    if walk.counting:
        return plan.layout[0][0]
    return cells(plan, walk)[walk.bar - 1][walk.beat - 1]


def by_clock(plan: Plan, walk: Walk) -> bool:
    """Whether the form moves on by itself: not so while a vamp waits for its cue."""
    if walk.mode == "through" or walk.counting:
        return True
    return walk.is_last and walk.bar >= min(plan.tune.form.phrases[-1], plan.ending_bar)


def onward(plan: Plan, walk: Walk) -> Walk | None:
    """The beat after this one; None after the last beat of the ending."""
    beats, tick = plan.feel.beats, walk.tick + plan.feel.ticks
    if walk.beat < beats:
        beyond = replace(walk, tick=tick, beat=walk.beat + 1, hit=False, late=0, before=None)
        return replace(beyond, since=_since(plan, walk, beyond))
    if walk.counting:
        if walk.bar < walk.count:
            return replace(walk, tick=tick, bar=walk.bar + 1, beat=1)
        return Walk(walk.mode, walk.step, tick, 1, 1, 1, last=walk.last, hit=True)
    if walk.late_last:
        stayed = onward(plan, replace(walk, last=0, late_last=0))
        there = onward(plan, replace(walk, late_last=0))
        return there and replace(there, late=walk.late_last, before=stayed)
    if by_clock(plan, walk):
        if walk.bar < len(cells(plan, walk)):
            return _at_bar(plan, walk, tick, walk.chorus, walk.bar + 1)
        if walk.is_last:
            return None
        return _at_bar(plan, walk, tick, walk.chorus + 1, 1)
    if walk.cue:
        there = cued(plan, walk, tick)
        if not walk.cue.late:
            return there
        stayed = onward(plan, replace(walk, cue=None))
        return replace(there, hit=False, late=walk.cue.late, before=stayed)
    start, following = plan.step_start(walk.step, walk.bar), plan.next_step(walk.step, walk.bar)
    ends = walk.bar + 1 == following or (following == 1 and walk.bar == len(plan.layout))
    return _at_bar(plan, walk, tick, walk.chorus, start if ends else walk.bar + 1)


def cued(plan: Plan, walk: Walk, tick: int) -> Walk:
    """The first beat of the step after this one, at `tick`."""
    bar = plan.next_step(walk.step, walk.bar)
    chorus = walk.chorus + (bar <= walk.bar)
    return Walk(walk.mode, walk.step, tick, chorus, bar, 1, last=walk.last, hit=walk.cue is not None)


def _at_bar(plan: Plan, walk: Walk, tick: int, chorus: int, bar: int) -> Walk:
    """The first beat of a bar that the clock leads to."""
    hit = walk.mode == "through" and bar == 1 and chorus % 2 == 1
    there = Walk(walk.mode, walk.step, tick, chorus, bar, 1, last=walk.last, hit=hit)
    return replace(there, since=_since(plan, walk, there))


def _since(plan: Plan, walk: Walk, there: Walk) -> int:
    """Beats the chord of `there` has sounded: a vamp goes on counting through its loops."""
    now = cell(plan, there)
    if by_clock(plan, there) and there.mode != "vamp":
        return now.since
    same = cell(plan, walk).sounding[-1].chord == now.sounding[0].chord
    return walk.since + 1 if same else now.since


def coming_step(plan: Plan, walk: Walk) -> Sounding:
    """The chord that a waiting vamp goes to when it is cued."""
    bar = plan.next_step(walk.step, walk.bar)
    layout = cells(plan, walk) if bar > walk.bar else plan.layout
    return layout[bar - 1][0].sounding[0]


def step_left(plan: Plan, walk: Walk) -> int:
    """Beats to the end of the vamp step, this one included."""
    following = plan.next_step(walk.step, walk.bar)
    last_bar = following - 1 if following > 1 else len(plan.layout)
    return (last_bar - walk.bar) * plan.feel.beats + plan.feel.beats - walk.beat + 1


def look(plan: Plan, walk: Walk) -> Here:
    """The walk's beat as the band needs it."""
    feel, now = plan.feel, cell(plan, walk)
    to_bar_line = feel.beats - walk.beat + 1
    stage = "count" if walk.counting else "last" if walk.is_last else "form"
    since, left, then, line = walk.since, now.left, now.then, True
    fill, sticks = 0, ()
    onto = then.chord if then else None
    if walk.counting:
        index = (walk.bar - 1) * feel.beats + walk.beat - 1
        left = walk.count * feel.beats - index
        sticks = () if walk.stomped else count_strokes(feel.count, walk.count, feel.beats)[index]
    elif by_clock(plan, walk):
        fill = _clock_fill(plan, walk)
    else:
        line = False
        stays = now.sounding[-1].chord
        if walk.cue:
            fill, left, then = walk.cue.fill, min(left, to_bar_line), coming_step(plan, walk)
            if now.left < to_bar_line:
                then = now.then
            early = walk.cue.tick <= walk.tick + to_bar_line * feel.ticks - pickup_ticks(plan)
            onto = then.chord if early and then else stays
            line = walk.step == "phrase" and plan.next_step(walk.step, walk.bar) == 1
        elif now.left >= step_left(plan, walk):
            back = plan.layout[plan.step_start(walk.step, walk.bar) - 1][0].sounding[0]
            if back.chord == stays:
                left, then, onto = None, None, stays
            else:
                left, then, onto = step_left(plan, walk), back, back.chord
    return Here(
        tick=walk.tick,
        chorus=walk.chorus,
        bar=walk.bar,
        beat=walk.beat,
        stage=stage,
        cell=now,
        since=since,
        left=left,
        then=then,
        onto=onto,
        line=line,
        fill=fill,
        hit=walk.hit,
        late=walk.late,
        sticks=sticks,
    )


def pickup_ticks(plan: Plan) -> int:
    """How long before its landing the figure's pickup begins, in ticks (at most; swing delays it)."""
    figure = plan.tune.figure
    starts = [step.beat + step.slot / step.slots for step in figure.line if step.pickup]
    return round((figure.beats - min(starts)) * plan.feel.ticks) if starts else 0


def _clock_fill(plan: Plan, walk: Walk) -> int:
    if walk.bar == len(plan.layout) and not walk.is_last:
        return TOP_FILL
    if walk.bar + 1 in plan.tune.form.phrases:
        return PHRASE_END
    return 0


def flagged_bar(plan: Plan, walk: Walk, beats_back: int = 6) -> int:
    """The bar of the change that a flag means: the last if at most six beats ago, else the coming."""
    now = cell(plan, walk)
    if now.since <= beats_back and walk.chorus >= 1 and (walk.chorus, walk.bar) != (1, 1):
        back = walk.bar - (now.since - (walk.beat - 1) + plan.feel.beats - 1) // plan.feel.beats
        return (back - 1) % len(plan.layout) + 1
    ahead = walk.bar + (walk.beat - 1 + now.coming_in) // plan.feel.beats
    return (ahead - 1) % len(plan.layout) + 1
