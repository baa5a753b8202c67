"""The beat that lies a stretch of time behind bar 1, as other machines tell it."""

from .. import practice
from ..form_position import FormPosition, cell, stomped_in
from ..next_beat import next_beat
from ..state import State


def position_at(state: State, ticks: int) -> tuple[FormPosition | None, int]:
    """The beat `ticks` after the first one behind the count-in, and how far into it; None behind the end.

    The form counts as if it had gone by the clock until there. A drill begins at its beginning.
    """
    plan, settings = state.plan, state.settings
    drill = practice.first_position(state) if settings.mode == "drill" else None
    if drill:
        while drill.counting:
            there = next_beat(plan, drill)
            assert there
            drill = there
        return drill, 0
    position = next_beat(plan, stomped_in(plan, settings.mode, settings.step))
    assert position
    entry = state.setlist.entry
    choruses = (entry and entry.choruses) or plan.tune.choruses
    position = position._replace(last=choruses if settings.mode == "through" else 0, guide=settings.guide)
    beats, inner = divmod(ticks, plan.feel.ticks)
    if beats == 0:
        return position, inner
    bars, beat = divmod(beats, plan.feel.beats)
    chorus, bar = position.chorus, position.bar + bars
    intro = len(plan.layout) - position.bar + 1 if chorus == 0 else 0  # bars
    if chorus == 0 and bars >= intro:
        chorus, bar = 1, bars - intro + 1
    more, bar = divmod(bar - 1, len(plan.layout))
    chorus, bar = chorus + more, bar + 1
    if position.last and chorus > position.last:
        return None, 0
    there = position._replace(chorus=chorus, bar=bar, beat=beat + 1, hit=False)
    return there._replace(
        tick=position.tick + beats * plan.feel.ticks, since=cell(plan, there).beats_in
    ), inner
