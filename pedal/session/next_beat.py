"""Which beat comes after this one: an ordered table of rules. The first that holds decides.

The rules are tried from the top; all but the first are about the end of a bar. `diagram` draws them
for DEVELOPERS.md.
"""

from collections.abc import Callable
from typing import NamedTuple

from ..music.plan import Plan
from . import drill as drilling
from .drill import Drill
from .form_position import FormPosition, by_clock, cell, cells, cued, enter, first_bar


class Rule(NamedTuple):
    """`stage`: where the band is; `when` and `goes_to`: the rule in words; `holds` and `leads`: the rule."""

    stage: str
    when: str
    goes_to: str
    holds: Callable[[Plan, FormPosition], bool]
    leads: Callable[[Plan, FormPosition], FormPosition | None]


def next_beat(plan: Plan, position: FormPosition) -> FormPosition | None:
    """The beat after this one; None after the last beat of the ending."""
    for rule in RULES:
        if rule.holds(plan, position):
            return rule.leads(plan, position)
    raise AssertionError("the last rule holds always")


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


def diagram() -> str:
    """The rules as a Mermaid state diagram, numbered in the order in which they are tried."""
    lines = ["stateDiagram-v2", "    [*] --> count"]
    for number, rule in enumerate(RULES, 1):
        to, _, how = rule.goes_to.partition(": ")
        for stage in rule.stage.split(", "):
            for target in {SAME: stage, OVER: "[*]"}.get(to, to).split(" or "):
                lines.append(
                    f"    {stage} --> {target}: {number}. {rule.when}{f', then {how}' if how else ''}"
                )
    return "\n".join(lines)


# ---- what the rules do ------------------------------------------------------------------------


def _in_the_bar(plan: Plan, position: FormPosition) -> FormPosition:
    tick = position.tick + plan.feel.ticks
    beyond = position._replace(tick=tick, beat=position.beat + 1, hit=False, late=0, before=None)
    return beyond._replace(since=_since(plan, position, beyond), pace=_pace(plan, beyond))


def _count_on(plan: Plan, position: FormPosition) -> FormPosition:
    return position._replace(tick=position.tick + plan.feel.ticks, bar=position.bar + 1, beat=1)


def _counted(plan: Plan, position: FormPosition) -> FormPosition:
    bar = first_bar(plan, position)
    chorus = 0 if plan.intro_bar and not position.drill else 1
    there = enter(plan, position, chorus, bar)._replace(count_in=0, stomped=False, hit=True)
    return there._replace(since=plan.layout[bar - 1][0].beats_in)


def _drilled(plan: Plan, position: FormPosition) -> FormPosition:
    """The bar after this one in a drill, where the whole chorus at its end is an ordinary one."""
    assert position.drill
    written_ns = 60 * 10**12 // plan.mbpm
    return _in_drill(plan, position, drilling.next_bar(plan, position.drill, position.bar, written_ns))


def _into_drill(plan: Plan, position: FormPosition) -> FormPosition:
    assert position.drill_next
    return _in_drill(plan, position, position.drill_next)


def _in_drill(plan: Plan, position: FormPosition, drill: Drill) -> FormPosition:
    """The bar of a drill that comes after this one."""
    there = enter(plan, position, drill.repetition, drill.bar)
    last = drill.repetition if drill.ends else 0
    there = there._replace(mode="drill", drill=drill, drill_next=None, pace=drill.pace, last=last)
    return there._replace(since=cell(plan, there).beats_in)


def _late_ending(plan: Plan, position: FormPosition) -> FormPosition | None:
    stayed = next_beat(plan, position._replace(last=0, late_last=0))
    there = next_beat(plan, position._replace(late_last=0))
    return there and there._replace(late=position.late_last, before=stayed)


def _phrase_again(plan: Plan, position: FormPosition) -> FormPosition:
    return _at_bar(plan, position, position.chorus, plan.step_start("phrase", position.bar))


def _next_bar(plan: Plan, position: FormPosition) -> FormPosition:
    return _at_bar(plan, position, position.chorus, position.bar + 1)


def _next_chorus(plan: Plan, position: FormPosition) -> FormPosition:
    return _at_bar(plan, position, position.chorus + 1, 1)


def _cued_late(plan: Plan, position: FormPosition) -> FormPosition:
    assert position.cue
    stayed = next_beat(plan, position._replace(cue=None))
    return _cued(plan, position)._replace(hit=False, late=position.cue.late, before=stayed)


def _cued(plan: Plan, position: FormPosition) -> FormPosition:
    return cued(plan, position, position.tick + plan.feel.ticks)


def _step_again(plan: Plan, position: FormPosition) -> FormPosition:
    return _at_bar(plan, position, position.chorus, plan.step_start(position.step, position.bar))


def _at_bar(plan: Plan, position: FormPosition, chorus: int, bar: int) -> FormPosition:
    """The first beat of a bar that the clock leads to."""
    there = enter(plan, position, chorus, bar)
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


# ---- when they hold ----------------------------------------------------------------------------


def _drill_takes_over(plan: Plan, position: FormPosition) -> bool:
    drill = position.drill_next
    if not drill or position.is_last or not by_clock(plan, position):
        return False
    ahead = position.bar + 1 if position.bar < len(cells(plan, position)) else 1
    in_time = position.tick + plan.feel.ticks >= drill.not_before
    return ahead in plan.tune.form.phrases and in_time


def _ends_step(plan: Plan, position: FormPosition) -> bool:
    following = plan.next_step(position.step, position.bar)
    return position.bar + 1 == following or (following == 1 and position.bar == len(plan.layout))


OVER, SAME = "over", "the same"

RULES = (
    Rule(
        "count, form, drill",
        "within a bar",
        f"{SAME}: next beat",
        lambda plan, position: position.beat < plan.feel.beats,
        _in_the_bar,
    ),
    Rule(
        "count",
        "more bars to count",
        "count: next bar",
        lambda plan, position: position.bar < position.count_in,
        _count_on,
    ),
    Rule(
        "count",
        "counted",
        "form or drill: the intro if there is one, else the first bar",
        lambda plan, position: position.counting,
        _counted,
    ),
    Rule(
        "drill",
        "last bar of its ending",
        OVER,
        lambda plan, position: bool(
            position.drill and position.drill.ends and position.bar == len(plan.last)
        ),
        lambda plan, position: None,
    ),
    Rule(
        "drill",
        "end of a bar",
        "drill: the bar that the drill wants",
        lambda plan, position: position.drill is not None,
        _drilled,
    ),
    Rule(
        "form",
        "last time, asked for too late",
        "form: as without it, the ending from a moment after the line",
        lambda plan, position: position.late_last > 0,
        _late_ending,
    ),
    Rule(
        "form",
        "again",
        "form: this phrase from its start",
        lambda plan, position: position.again and position.chorus > 0,
        _phrase_again,
    ),
    Rule(
        "form",
        "by the clock, a drill waits, a phrase ends",
        "drill: its first bar",
        _drill_takes_over,
        _into_drill,
    ),
    Rule(
        "form",
        "by the clock",
        "form: next bar",
        lambda plan, position: by_clock(plan, position) and position.bar < len(cells(plan, position)),
        _next_bar,
    ),
    Rule(
        "form",
        "by the clock, the ending's last bar",
        OVER,
        lambda plan, position: by_clock(plan, position) and position.is_last,
        lambda plan, position: None,
    ),
    Rule("form", "by the clock, last bar", "form: bar 1 of the next chorus", by_clock, _next_chorus),
    Rule(
        "form",
        "vamp, cued too late",
        "form: as without it, the next step from a moment after the line",
        lambda plan, position: position.cue is not None and position.cue.late > 0,
        _cued_late,
    ),
    Rule(
        "form",
        "vamp, cued",
        "form: the next step (or the one before)",
        lambda plan, position: position.cue is not None,
        _cued,
    ),
    Rule("form", "vamp, last bar of its step", "form: the step's first bar", _ends_step, _step_again),
    Rule("form", "vamp", "form: next bar", lambda plan, position: True, _next_bar),
)
