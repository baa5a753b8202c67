"""The neck as a drawing, frets to scale: every place the line uses, and where the hand goes."""

from collections.abc import Callable, Iterable

from ..music.plan import Plan
from .svg import WIDTH, disc, drawing, fitting, line, path, text
from .written import WrittenNote, write_part

_LEFT, _TOP, _STRING = 9.0, 5.0, 5.6
_DOT = 2.35
_INLAYS = (3, 5, 7, 9, 12, 15, 17, 19, 21, 24)
_LEAST = 6  # frets shown


def neck_svg(plan: Plan, choruses: int) -> str:
    """The whole drawing. Roots of the form's chords are black; a place that is only muted is a cross."""
    instrument = plan.neck.instrument
    part = write_part(plan, choruses)
    notes = [note for bar in part.bars for note in bar.notes]
    frets = [note.fret for note in notes] + [note.hand for note in notes]
    high = min(instrument.frets, max(frets) + 1)
    low = max(0, min(fret for fret in frets if fret) - 2)
    low = 0 if any(note.fret == 0 for note in notes) or low <= 2 else low
    high = min(instrument.frets, max(high, low + _LEAST))
    low = max(0, min(low, high - _LEAST))
    start, length = instrument.fret_mm(low), instrument.fret_mm(high) - instrument.fret_mm(low)
    strings = len(instrument.tuning)
    bottom = _TOP + (strings - 1) * _STRING

    def wire(fret: int) -> float:
        return _LEFT + (instrument.fret_mm(fret) - start) / length * (WIDTH - _LEFT - 1)

    def behind(fret: int) -> float:
        """Where a finger stands for a fret; an open string is stopped by nobody, left of the nut."""
        return (wire(fret) + wire(fret - 1)) / 2 if fret > low else _LEFT - 3.4

    parts = [
        line(wire(fret), _TOP, wire(fret), bottom, 1.2 if fret == 0 else 0.3) for fret in range(low, high + 1)
    ]
    for index, name in enumerate(instrument.string_names):
        y = _TOP + index * _STRING
        parts += [line(_LEFT, y, WIDTH - 1, y, 0.2 + 0.1 * index), text(0, y + 1.1, name, 3.2)]
    for fret in range(low + 1, high + 1):
        weight = "bold" if fret in _INLAYS else "normal"
        parts.append(text(behind(fret), bottom + 5.8, str(fret), 3.2, anchor="middle", weight=weight))
    roots = {chord.root.pc for chord in (plan.chords[cell.form_chord] for bar in plan.layout for cell in bar)}
    for (string, fret), found in _places(notes).items():
        x, y = behind(fret), _TOP + (string - 1) * _STRING
        if all(note.dead for note in found):
            parts += [path([(x - 1.3, y + s), (x + 1.3, y - s)], 0.5) for s in (-1.3, 1.3)]
            continue
        note = next(note for note in found if not note.dead)
        root = note.key % 12 in roots
        parts.append(disc(x, y, _DOT) if root else disc(x, y, _DOT, "white", rim=0.3))
        name = str(note.name)
        style = {"fill": "white"} if root else {}
        parts.append(
            text(x, y + 1.05, name, fitting(name, 2.9, 3.6), anchor="middle", weight="bold", **style)
        )
    hands, height = _hands(plan, wire, bottom + 9.5)
    return drawing(
        f"{plan.tune.title} in {plan.key}: where it lies on the neck", WIDTH, height, parts + hands
    )


def _places(notes: Iterable[WrittenNote]) -> dict[tuple[int, int], list[WrittenNote]]:
    """The notes by string and fret."""
    places: dict[tuple[int, int], list[WrittenNote]] = {}
    for note in notes:
        places.setdefault((note.string, note.fret), []).append(note)
    return places


def _hands(plan: Plan, wire: Callable[[int], float], y: float) -> tuple[list[str], float]:
    """A bracket for each place of the hand, with the chords that are played there; where they end."""
    used: dict[int, dict[str, None]] = {}
    reach: dict[int, int] = {}
    ending = [note for note in plan.neck.last if note.bar >= plan.ending_bar]
    for layout, notes in ((plan.layout, plan.neck.chorus), (plan.last, ending)):
        for note in notes:
            cell = layout[note.bar - 1][note.beat - 1]
            used.setdefault(note.hand, {})[plan.chords[cell.form_chord].symbol] = None
            reach[note.hand] = max(reach.get(note.hand, 0), note.fret)
    parts: list[str] = []
    ends: list[float] = []  # how far each line of brackets is taken
    for hand, chords in sorted(used.items()):
        x1, x2 = wire(hand - 1) + 0.6, wire(max(reach[hand], hand)) - 0.6
        words = f"hand {hand}: {', '.join(chords)}"
        wide = max(x2, x1 + 2.9 * 0.6 * len(words))
        if wide > WIDTH:
            start = WIDTH - (wide - x1)
        else:
            start = x1
        level = next((n for n, taken in enumerate(ends) if min(x1, start) > taken + 1), len(ends))
        ends[level : level + 1] = [wide]
        top = y + 6.4 * level
        parts += [path([(x1, top - 1.6), (x1, top), (x2, top), (x2, top - 1.6)], 0.35)]
        parts.append(text(start, top + 3, words, 2.9))
    return parts, y + 6.4 * len(ends) - 1.5
