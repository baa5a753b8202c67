"""The walk's beat as the band needs to see it (`BeatContext`)."""

from ..music.beat import PHRASE_END, TOP_FILL, BeatContext
from ..music.drums import STOP_BARS, count_strokes
from ..music.plan import Plan
from .form_position import Walk, by_clock, cell, coming_step, step_left, target


def look(plan: Plan, walk: Walk) -> BeatContext:
    """What is known about a beat: how long the chord lasts, what follows, what leads there."""
    feel, now = plan.feel, cell(plan, walk)
    ordinary = by_clock(plan, walk) and not walk.counting and not walk.drill
    here = BeatContext(
        tick=walk.tick,
        chorus=walk.chorus,
        bar=walk.bar,
        beat=walk.beat,
        stage="last" if walk.is_last else "form",
        cell=now,
        beats_in=walk.since,
        beats_left=now.beats_left,
        then=now.then,
        onto=now.then.chord if now.then else None,
        with_tail=True,
        fill=_clock_fill(plan, walk) if ordinary else 0,
        hit=walk.hit,
        late=walk.late,
        soft=walk.soft,
        stops=walk.stops and walk.bar <= STOP_BARS and by_clock(plan, walk),
        guide=guide_level(walk.guide, max(1, walk.chorus)),
    )
    if ordinary:
        return here
    if walk.counting:
        index = (walk.bar - 1) * feel.beats + walk.beat - 1
        strokes = () if walk.stomped else count_strokes(feel.count, walk.count, feel.beats)[index]
        return here._replace(stage="count", beats_left=walk.count * feel.beats - index, sticks=strokes)
    if walk.drill:
        return _drilled(plan, walk, here)
    return _waiting(plan, walk, here)


GUIDES = ("on", "off", "alternate", "fading")
_FADE = (100, 75, 50, 30, 0)  # percent of the guide's volume, chorus by chorus


def guide_level(guide: str, chorus: int) -> int:
    """How loud the guide bass is in a chorus (or a drill's repetition), in percent."""
    if guide == "alternate":
        return 100 if chorus % 2 else 0
    if guide == "fading":
        return _FADE[min(chorus, len(_FADE)) - 1]
    return 100 if guide == "on" else 0


def _waiting(plan: Plan, walk: Walk, here: BeatContext) -> BeatContext:
    """In a vamp nobody knows how long the chord lasts until the foot has spoken."""
    feel, now = plan.feel, here.cell
    to_bar_line = feel.beats - walk.beat + 1
    stays = now.sounding[-1].chord
    here = here._replace(with_tail=False)
    if walk.cue:
        comes = coming_step(plan, walk)
        then = now.then if now.beats_left < to_bar_line else comes
        in_time = walk.cue.tick <= walk.tick + to_bar_line * feel.ticks - pickup_ticks(plan)
        return here._replace(
            fill=walk.cue.fill,
            beats_left=min(now.beats_left, to_bar_line),
            then=then,
            onto=then.chord if in_time and then else stays,
            with_tail=walk.step == "phrase" and target(plan, walk) == 1 and not walk.cue.back,
        )
    if now.beats_left < step_left(plan, walk):
        return here  # a change inside the step comes by the clock
    back = plan.layout[plan.step_start(walk.step, walk.bar) - 1][0].sounding[0]
    if back.chord == stays:
        return here._replace(beats_left=None, then=None, onto=stays)
    return here._replace(beats_left=step_left(plan, walk), then=back, onto=back.chord)


def _drilled(plan: Plan, walk: Walk, here: BeatContext) -> BeatContext:
    """The loop's last chord leads back to its first; time alone in the hi-hat bar, no fills."""
    drill = walk.drill
    assert drill
    if drill.hats:
        return here._replace(stage="hats")
    if drill.whole or drill.at < len(drill.loop.bars) - 1:
        return here
    back = plan.layout[drill.loop.bars[0] - 1][0].sounding[0]
    to_bar_line = plan.feel.beats - walk.beat + 1
    if here.cell.beats_left < to_bar_line:
        return here
    return here._replace(beats_left=to_bar_line, then=back, onto=back.chord)


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
