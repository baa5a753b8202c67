"""The guide bass: the figure on each chord, bent towards the next; turnarounds and endings."""

from .beat import Band, BeatContext, Note, stray, tail_of
from .figure_steps import DEAD_TICKS, bent, figure_steps, in_beat, lands_in, own_tone
from .humanize import BASS
from .lines import Timed, timed
from .pickups import bend_for
from .plan import Plan

_BASS_VELOCITY, _DEAD_VELOCITY = 94, 46


def bass(plan: Plan, here: BeatContext, band: Band, swing: float) -> list[Note]:
    """The bass notes that start in one beat."""
    ticks, cell = plan.feel.ticks, here.cell
    chord = cell.sounding[0].chord
    root = plan.roots[chord]
    if here.stops:
        hit = Timed(0, ticks // 2, 0, False, False)
        return [_pluck(plan, here, band, root, hit, 0)] if here.beat == 1 else []
    if here.late:
        return [_pluck(plan, here, band, root, Timed(here.late, ticks, 0, False, False), 0)]
    tail = tail_of(plan, here)
    if tail and cell.tail_beat >= tail.lead:
        steps = in_beat(timed(tail.line, ticks, swing), cell.tail_beat)
        return [_pluck(plan, here, band, plan.tonic, step, index) for index, step in enumerate(steps)]
    figure = plan.tune.figure
    dues = figure_steps(figure, ticks, swing, here.beats_in, here.beats_left, chord, here.onto)
    lands = lands_in(here.bar, here.beat, here.beats_left or 0, plan.feel.beats, len(plan.layout))
    dues = bent(dues, figure, chord, bend_for(plan.neck.bends, lands, chord, here.onto))
    return [_pluck(plan, here, band, _root(plan, *due), due.step, index) for index, due in enumerate(dues)]


def pickup_in(plan: Plan, here: BeatContext, band: Band, swing: float) -> list[Note]:
    """The figure's pickup into bar 1, played `here.beats_left` beats before it in the count-in."""
    figure = plan.tune.figure
    beats = timed(figure.line, plan.feel.ticks, swing)
    chord = here.cell.sounding[0].chord
    steps = [step for step in in_beat(beats, figure.beats - (here.beats_left or 0)) if step.pickup]
    return [
        _pluck(plan, here, band, _root(plan, step, chord), step, index) for index, step in enumerate(steps)
    ]


def _root(plan: Plan, step: Timed, chord: int) -> int:
    """What a step counts from: the chord's root, bent where the chord's own tone is asked for."""
    return plan.roots[chord] + own_tone(plan.chords, chord, step)


def _pluck(plan: Plan, here: BeatContext, band: Band, root: int, step: Timed, index: int) -> Note:
    shift, louder = stray(plan, here, band, "bass", index, BASS)
    start, key = here.tick + step.tick, plan.neck.instrument.nearest(root + step.semitones)
    velocity = max(1, ((_DEAD_VELOCITY if step.dead else _BASS_VELOCITY) + louder) * here.guide // 100)
    if step.dead:
        return Note(start, start + DEAD_TICKS, shift, "bass", key, velocity)
    return Note(start, start + (step.end - step.tick) * 15 // 16, shift, "bass", key, velocity)
