"""The guide bass: the figure on each chord, bent towards the next; turnarounds and endings."""

from .beat import Band, Here, Note, place, tail_of
from .lines import Timed, timed
from .plan import Plan
from .variation import BASS

_BASS_VELOCITY, _DEAD_VELOCITY = 94, 46
_DEAD_TICKS = 60  # a dead note is a click, whatever its written length


def bass(plan: Plan, here: Here, band: Band, swing: float) -> list[Note]:
    """The bass notes that start in one beat."""
    ticks, cell = plan.feel.ticks, here.cell
    tail = tail_of(plan, here)
    if tail and cell.line >= tail.lead:
        steps = _beat(timed(tail.line, ticks, swing), cell.line)
        return [_pluck(plan, here, band, plan.tonic, step, index) for index, step in enumerate(steps)]
    chord = cell.sounding[0].chord
    root = plan.roots[chord]
    if here.stops:
        hit = Timed(0, ticks // 2, 0, False, False)
        return [_pluck(plan, here, band, root, hit, 0)] if here.beat == 1 else []
    if here.late:
        return [_pluck(plan, here, band, root, Timed(here.late, ticks, 0, False, False), 0)]
    notes = []
    for index, (step, onto) in enumerate(_figure_steps(plan, here, swing)):
        owner = onto if step.pickup and onto is not None else chord
        notes.append(_pluck(plan, here, band, plan.roots[owner] + _bend(plan, owner, step), step, index))
    return notes


def pickup_in(plan: Plan, here: Here, band: Band, swing: float) -> list[Note]:
    """The figure's pickup into bar 1, played `here.left` beats before it in the count-in."""
    figure = plan.tune.figure
    beats = timed(figure.line, plan.feel.ticks, swing)
    chord = here.cell.sounding[0].chord
    root = plan.roots[chord]
    steps = [step for step in _beat(beats, figure.beats - (here.left or 0)) if step.pickup]
    return [
        _pluck(plan, here, band, root + _bend(plan, chord, step), step, index)
        for index, step in enumerate(steps)
    ]


def _bend(plan: Plan, chord: int, step: Timed) -> int:
    """Semitones that the chord's own third, fifth or seventh lies off that of a plain 7."""
    return plan.chords[chord].degree.own(step.own) if step.own else 0


def _figure_steps(plan: Plan, here: Here, swing: float) -> list[tuple[Timed, int | None]]:
    """The figure's steps in this beat, each with the chord its pickup belongs to."""
    figure, ticks = plan.tune.figure, plan.feel.ticks
    beats = timed(figure.line, ticks, swing)
    stays = here.cell.sounding[0].chord
    if here.left is None:
        return [(step, stays) for step in _beat(beats, here.since % figure.beats)]
    total = here.since + here.left
    if total == 1:
        return [(Timed(0, ticks, 0, False, False), None)]
    rest = total % figure.beats
    if rest and rest <= figure.pickup_beats and total > figure.beats:
        rest += figure.beats  # the rest alone has no room for a head
    phase = here.since - (total - rest)
    if rest and phase >= 0:
        # What the figure does not fill keeps its head and its pickup, which is anchored to the end.
        pickup_at = max(1, rest - figure.pickup_beats)
        if phase >= pickup_at:
            return [(step, here.onto) for step in _beat(beats, phase - rest + figure.beats) if step.pickup]
        head = max(1, figure.beats - figure.pickup_beats)
        free = (pickup_at - phase) * ticks
        steps = [step for step in _beat(beats, phase % head) if not step.pickup]
        return [(step._replace(end=min(step.end, free)), None) for step in steps]
    ends = not rest and here.since >= total - figure.beats
    return [(step, here.onto if ends else stays) for step in _beat(beats, here.since % figure.beats)]


def _beat(beats: tuple[tuple[Timed, ...], ...], index: int) -> tuple[Timed, ...]:
    return beats[index] if 0 <= index < len(beats) else ()


def _pluck(plan: Plan, here: Here, band: Band, root: int, step: Timed, index: int) -> Note:
    shift, louder = place(plan, here, band, "bass", index, BASS)
    start, key = here.tick + step.tick, root + step.semitones
    velocity = max(1, ((_DEAD_VELOCITY if step.dead else _BASS_VELOCITY) + louder) * here.guide // 100)
    if step.dead:
        return Note(start, start + _DEAD_TICKS, shift, "bass", key, velocity)
    return Note(start, start + (step.end - step.tick) * 15 // 16, shift, "bass", key, velocity)
