"""The beat at a place that is told in time since bar 1, as other machines tell it."""

from typing import TYPE_CHECKING

from .form_position import Walk, cell, onward, stomped_in

if TYPE_CHECKING:
    from .session import Session


def walk_at(session: "Session", ticks: int) -> tuple[Walk | None, int]:
    """The beat `ticks` after the first one behind the count-in, and how far into it; None behind the end.

    The form counts as if it had gone by the clock until there. A drill begins at its beginning.
    """
    plan, settings = session.plan, session.settings
    drill = session.first_of_drill() if settings.mode == "drill" else None
    if drill:
        while drill.counting:
            there = onward(plan, drill)
            assert there
            drill = there
        return drill, 0
    walk = onward(plan, stomped_in(plan, settings.mode, settings.step))
    assert walk
    entry = session.programme.entry
    choruses = (entry and entry.choruses) or plan.tune.choruses
    walk = walk._replace(last=choruses if settings.mode == "through" else 0, guide=settings.guide)
    beats, inner = divmod(ticks, plan.feel.ticks)
    if beats == 0:
        return walk, inner
    bars, beat = divmod(beats, plan.feel.beats)
    chorus, bar = walk.chorus, walk.bar + bars
    intro = len(plan.layout) - walk.bar + 1 if chorus == 0 else 0  # bars
    if chorus == 0 and bars >= intro:
        chorus, bar = 1, bars - intro + 1
    more, bar = divmod(bar - 1, len(plan.layout))
    chorus, bar = chorus + more, bar + 1
    if walk.last and chorus > walk.last:
        return None, 0
    place = walk._replace(chorus=chorus, bar=bar, beat=beat + 1, hit=False)
    return place._replace(tick=walk.tick + beats * plan.feel.ticks, since=cell(plan, place).beats_in), inner
