"""A chorus played by the clock, without the leader: what the tests of the band listen to."""

from collections.abc import Iterator
from dataclasses import replace

from pedal.music.arrange import compose
from pedal.music.beat import PHRASE_END, TOP_FILL, Band, BeatContext, Note
from pedal.music.forms import Form, parse_bar
from pedal.music.pitch import MAJOR_KEYS, MINOR_KEYS
from pedal.music.plan import Plan
from pedal.music.tune import Tune

ALL_KEYS = (*MAJOR_KEYS, *MINOR_KEYS)


def contexts(plan: Plan, chorus: int = 1, last: bool = False) -> Iterator[BeatContext]:
    """Every beat of a chorus that is played through, the turnaround or ending included."""
    layout = plan.last if last else plan.layout
    tick = 0
    for bar, cells in enumerate(layout, 1):
        fill = 0
        if bar == len(layout) and not last:
            fill = TOP_FILL
        elif bar + 1 in plan.tune.form.phrases:
            fill = PHRASE_END
        for beat, cell in enumerate(cells, 1):
            yield BeatContext(
                tick=tick,
                chorus=chorus,
                bar=bar,
                beat=beat,
                stage="last" if last else "form",
                cell=cell,
                beats_in=cell.beats_in,
                beats_left=cell.beats_left,
                then=cell.then,
                onto=cell.then.chord if cell.then else None,
                with_tail=True,
                fill=fill,
                hit=bar == 1 and beat == 1,
                late=0,
            )
            tick += plan.feel.ticks


def played(
    plan: Plan, band: Band | None = None, chorus: int = 1, last: bool = False, part: str | None = None
) -> list[tuple[BeatContext, list[Note]]]:
    """Beats and what is played in them, of one part or of all."""
    band = band or Band(strict=True)
    return [
        (here, [note for note in compose(plan, here, band, plan.mbpm / 1000) if part in (None, note.part)])
        for here in contexts(plan, chorus, last)
    ]


def form_of(*bars: str, phrases: tuple[int, ...] = (1,), minor: bool = False, beats: int = 4) -> Form:
    """A form written as in a file."""
    return Form("test", "Test", tuple(parse_bar(bar, beats) for bar in bars), phrases, minor)


def with_form(tune: Tune, *bars: str, **changes: object) -> Tune:
    """A tune on another form and without a turnaround."""
    return replace(tune, form=form_of(*bars), **{"turnaround": None, **changes})
