"""The position's beat as the band needs to see it (`BeatContext`)."""

from ..music.beat import PHRASE_END, TOP_FILL, BeatContext
from ..music.drums import STOP_BARS, count_strokes
from ..music.plan import Plan
from .form_position import FormPosition, by_clock, cell, coming_step, step_left, target


def look(plan: Plan, position: FormPosition) -> BeatContext:
    """What is known about a beat: how long the chord lasts, what follows, what leads there."""
    feel, now = plan.feel, cell(plan, position)
    ordinary = by_clock(plan, position) and not position.counting and not position.drill
    here = BeatContext(
        tick=position.tick,
        chorus=position.chorus,
        bar=position.bar,
        beat=position.beat,
        stage="last" if position.is_last else "form",
        cell=now,
        beats_in=position.since,
        beats_left=now.beats_left,
        then=now.then,
        onto=now.then.chord if now.then else None,
        with_tail=True,
        fill=_clock_fill(plan, position) if ordinary else 0,
        hit=position.hit,
        late=position.late,
        soft=position.soft,
        stops=position.stops and position.bar <= STOP_BARS and by_clock(plan, position),
        guide=guide_level(position.guide, max(1, position.chorus)),
    )
    if ordinary:
        return here
    if position.counting:
        index = (position.bar - 1) * feel.beats + position.beat - 1
        strokes = () if position.stomped else count_strokes(feel.count, position.count, feel.beats)[index]
        return here._replace(stage="count", beats_left=position.count * feel.beats - index, sticks=strokes)
    if position.drill:
        return _drilled(plan, position, here)
    return _waiting(plan, position, here)


GUIDES = ("on", "off", "alternate", "fading")
_FADE = (100, 75, 50, 30, 0)  # percent of the guide's volume, chorus by chorus


def guide_level(guide: str, chorus: int) -> int:
    """How loud the guide bass is in a chorus (or a drill's repetition), in percent."""
    if guide == "alternate":
        return 100 if chorus % 2 else 0
    if guide == "fading":
        return _FADE[min(chorus, len(_FADE)) - 1]
    return 100 if guide == "on" else 0


def _waiting(plan: Plan, position: FormPosition, here: BeatContext) -> BeatContext:
    """In a vamp nobody knows how long the chord lasts until the foot has spoken."""
    feel, now = plan.feel, here.cell
    to_bar_line = feel.beats - position.beat + 1
    stays = now.sounding[-1].chord
    here = here._replace(with_tail=False)
    if position.cue:
        comes = coming_step(plan, position)
        then = now.then if now.beats_left < to_bar_line else comes
        in_time = position.cue.tick <= position.tick + to_bar_line * feel.ticks - pickup_ticks(plan)
        return here._replace(
            fill=position.cue.fill,
            beats_left=min(now.beats_left, to_bar_line),
            then=then,
            onto=then.chord if in_time and then else stays,
            with_tail=position.step == "phrase" and target(plan, position) == 1 and not position.cue.back,
        )
    if now.beats_left < step_left(plan, position):
        return here  # a change inside the step comes by the clock
    back = plan.layout[plan.step_start(position.step, position.bar) - 1][0].sounding[0]
    if back.chord == stays:
        return here._replace(beats_left=None, then=None, onto=stays)
    return here._replace(beats_left=step_left(plan, position), then=back, onto=back.chord)


def _drilled(plan: Plan, position: FormPosition, here: BeatContext) -> BeatContext:
    """The loop's last chord leads back to its first; time alone in the hi-hat bar, no fills."""
    drill = position.drill
    assert drill
    if drill.hats:
        return here._replace(stage="hats")
    if drill.whole or drill.at < len(drill.loop.bars) - 1:
        return here
    back = plan.layout[drill.loop.bars[0] - 1][0].sounding[0]
    to_bar_line = plan.feel.beats - position.beat + 1
    if here.cell.beats_left < to_bar_line:
        return here
    return here._replace(beats_left=to_bar_line, then=back, onto=back.chord)


def pickup_ticks(plan: Plan) -> int:
    """How long before its landing the figure's pickup begins, in ticks (at most; swing delays it)."""
    figure = plan.tune.figure
    starts = [step.beat + step.slot / step.slots for step in figure.line if step.pickup]
    return round((figure.beats - min(starts)) * plan.feel.ticks) if starts else 0


def _clock_fill(plan: Plan, position: FormPosition) -> int:
    if position.bar == len(plan.layout) and not position.is_last:
        return TOP_FILL
    if position.bar + 1 in plan.tune.form.phrases:
        return PHRASE_END
    return 0
