"""Drilling a transition: a loop of a few bars, faster when it is clean, slower when it is not.

    loop    the bar before, the change, the bar after, one bar of hi-hat alone
    clean   no "missed" between the loop's change and the end of the hi-hat bar (or, with
            `mark_clean`, a "clean" in that time)
    pace    starts at 70 % of the written tempo (or 10 % under the logged clean one);
            three clean in a row: 5 % more; two misses in a row: 10 % less, not under 50 %
    on      at the written tempo, or after three minutes: one whole chorus, then the next
            transition, coming back in rotation; when all have been clean at the written
            tempo, the last whole chorus has the ending

Changes less than a bar apart, and the turnaround, are one loop. The 5 % are above the just
noticeable difference of tempo (26.5 ms in 1000 with three taps, 2 to 3.3 %). "Three clean
repetitions" is common practice, no source; nothing is claimed about drilling transitions alone.
"""

from dataclasses import dataclass, replace

from ..events import NS_PER_S
from ..music.plan import Plan

START, CEILING, FLOOR = 700, 1000, 500  # thousandths of the written tempo
UP, DOWN, UNDER_LOGGED = 1.05, 0.90, 0.90
CLEAN_ROW, MISS_ROW = 3, 2
PATIENCE_NS = 180 * NS_PER_S
FLAG_BEATS = 6


@dataclass(frozen=True, slots=True)
class Loop:
    """`bars` are the form's bars that are played; the change is at the second of them."""

    bars: tuple[int, ...]

    @property
    def change(self) -> int:
        """The bar that the change falls in, from 1."""
        return self.bars[1]


@dataclass(frozen=True, slots=True)
class Drill:
    """The state of a drill at a bar: `at` counts the loop's bars, past the last is the hi-hat bar.

    `row` are the clean repetitions in a row, `misses` the missed; `paces` the pace each loop
    has come to, in thousandths of the written tempo; `done` the loops that were clean at it.
    """

    loops: tuple[Loop, ...]
    paces: tuple[int, ...]
    index: int = 0
    at: int = 0
    repetition: int = 1
    row: int = 0
    misses: int = 0
    missed: bool = False
    spent_ns: int = 0
    whole: int = 0  # the bar of a whole chorus, 0 in the loop
    done: frozenset[int] = frozenset()
    came_through: bool = False
    mark_clean: bool = False
    skip: bool = False  # the foot wants the next transition
    not_before: int = 0  # the tick from which it may take over from the form

    @property
    def loop(self) -> Loop:
        """The transition that is drilled now."""
        return self.loops[self.index]

    @property
    def hats(self) -> bool:
        """Whether this is the bar of hi-hat alone."""
        return not self.whole and self.at == len(self.loop.bars)

    @property
    def bar(self) -> int:
        """The bar of the form (of the bar before, in the hi-hat bar)."""
        return self.whole or self.loop.bars[min(self.at, len(self.loop.bars) - 1)]

    @property
    def pace(self) -> int:
        """The share of the full tempo that this loop has come to, in thousandths."""
        return self.paces[self.index]

    @property
    def ends(self) -> bool:
        """Whether this is the whole chorus with the ending."""
        return self.whole > 0 and len(self.done) == len(self.loops)

    @property
    def markable(self) -> bool:
        """Whether a "missed" now is about this repetition."""
        return not self.whole and self.at >= 1


def loops_of(plan: Plan) -> tuple[Loop, ...]:
    """All transitions of a chorus as loops, in the order of the form."""
    count, beats = len(plan.layout), plan.feel.beats
    changes = [
        bar * beats + beat
        for bar, cells in enumerate(plan.layout)
        for beat, cell in enumerate(cells)
        if cell.form_chord != plan.layout[bar - (beat == 0)][beat - 1].form_chord
    ]
    in_turnaround = range((plan.turnaround_bar - 1) * beats, count * beats)
    groups: list[list[int]] = []
    for at in changes:
        joins = groups and (
            at - groups[-1][-1] < beats or (at in in_turnaround and groups[-1][-1] in in_turnaround)
        )
        if joins:
            groups[-1].append(at)
        else:
            groups.append([at])
    if groups and groups[0][0] == 0 and len(groups) > 1 and groups[-1][-1] in in_turnaround:
        groups[-1] += [count * beats + at for at in groups.pop(0)]

    def loop(group: list[int]) -> Loop:
        first, last = group[0] // beats, group[-1] // beats
        last = max(last, first) if group[-1] < count * beats else last - 1
        return Loop(tuple(bar % count + 1 for bar in range(first - 1, last + 2)))

    return tuple(loop(group) for group in groups)


def begin(
    order: tuple[Loop, ...], logged: dict[int, int], came_through: bool = False, mark_clean: bool = False
) -> Drill:
    """A drill of loops in order. `logged` is the clean pace by the bar of the change, in thousandths."""
    paces = tuple(
        max(FLOOR, min(CEILING, round(logged[loop.change] * UNDER_LOGGED)))
        if loop.change in logged
        else START
        for loop in order
    )
    return Drill(order, paces, came_through=came_through, mark_clean=mark_clean, missed=mark_clean)


def mark(drill: Drill, marked: bool = True) -> Drill:
    """The foot says that this repetition was missed (with `mark_clean`: that it was clean)."""
    return replace(drill, missed=marked != drill.mark_clean)


def onto_next(drill: Drill) -> Drill:
    """The next transition, from its start."""
    index = (drill.index + 1) % len(drill.loops)
    return replace(
        drill, index=index, at=0, row=0, misses=0, missed=drill.mark_clean, spent_ns=0, whole=0, skip=False
    )


def next_bar(plan: Plan, drill: Drill, bar: int, beat_ns: int) -> Drill:
    """The drill a bar later. `bar` is the bar just played, `beat_ns` a beat at the written tempo."""
    if drill.skip and not drill.ends:
        return replace(onto_next(drill), repetition=drill.repetition + 1)
    if drill.whole:
        if drill.ends or bar < len(plan.layout):
            return replace(drill, whole=bar + 1)
        return replace(onto_next(drill), repetition=drill.repetition + 1)
    spent = drill.spent_ns + plan.feel.beats * beat_ns * 1000 // drill.pace
    if not drill.hats:
        return replace(drill, at=drill.at + 1, spent_ns=spent)
    after = replace(drill, spent_ns=spent, at=0, missed=drill.mark_clean, repetition=drill.repetition + 1)
    return _judged(after, drill)


def _judged(after: Drill, drill: Drill) -> Drill:
    """A repetition is over: is it time for another tempo, or for something else?"""
    if drill.missed:
        misses = drill.misses + 1
        if misses < MISS_ROW:
            return replace(after, row=0, misses=misses)
        return _timed(replace(after, row=0, misses=0, paces=_repaced(drill, DOWN)))
    row = drill.row + 1
    if row < CLEAN_ROW:
        return _timed(replace(after, row=row, misses=0))
    if drill.pace == CEILING:
        return replace(after, row=0, misses=0, whole=1, done=drill.done | {drill.index})
    return _timed(replace(after, row=0, misses=0, paces=_repaced(drill, UP)))


def _timed(after: Drill) -> Drill:
    return replace(after, whole=1) if after.spent_ns >= PATIENCE_NS else after


def _repaced(drill: Drill, factor: float) -> tuple[int, ...]:
    pace = max(FLOOR, min(CEILING, round(drill.pace * factor)))
    return (*drill.paces[: drill.index], pace, *drill.paces[drill.index + 1 :])


def flagged(plan: Plan, loops: tuple[Loop, ...], bar: int, beat: int) -> Loop:
    """The transition that a flag means: the last if at most six beats ago, else the coming one."""
    beats, total = plan.feel.beats, len(plan.layout) * plan.feel.beats
    here = (bar - 1) * beats + beat - 1

    def since(loop: Loop) -> int:
        return (here - (loop.change - 1) * beats) % total

    last = min(loops, key=since)
    return last if since(last) <= FLAG_BEATS else max(loops, key=since)
