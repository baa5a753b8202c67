"""A score of the whole band, bass with its tab, drums and comping: every bar written out."""

from dataclasses import replace

from ..music.plan import Plan
from .band_parts import add_comping, add_drums
from .musicxml import opened, text_of
from .notation import add_bass
from .performance import StrictBeat, strict_beats
from .written import Bar, Part, write_part


def band_score(plan: Plan, choruses: int, seed: int = 1) -> str:
    """The file: count-in, intro, all choruses and the ending, without repeats."""
    bars = by_bar(plan, choruses, seed)
    written = _written_out(write_part(plan, choruses), len([bar for bar in bars if bar[0].counting]))
    score = opened(plan, "bass, drums and chords")
    add_bass(score, written, tab=True)
    add_drums(score, plan, written.grid, bars, 2)
    add_comping(score, plan, written.grid, bars, 3)
    return text_of(score)


def by_bar(plan: Plan, choruses: int, seed: int = 1) -> list[list[StrictBeat]]:
    """What the band plays in strict time, from the count-in on: the beats of each bar."""
    beats, each = strict_beats(plan, choruses, seed), plan.feel.beats
    return [beats[start : start + each] for start in range(0, len(beats), each)]


def _written_out(part: Part, count_bars: int) -> Part:
    """The part with whole bars of count-in before it and its repeats played out."""
    pickup = [bar for bar in part.bars if bar.number == 0]
    rest = [bar for bar in part.bars if bar.number]
    intro = [bar for bar in rest if bar.source == "intro"]
    again = [bar for bar in rest if bar.source in ("form", "again")]
    ending = [bar for bar in rest if bar.source == "last"]
    common = [bar for bar in again if bar.source == "form"]
    played = [*intro, *again * (part.choruses - 1), *(common if part.choruses > 1 else []), *ending]
    counted = [Bar(0, "count", part.meter.bar, [], [], set()) for _ in range(count_bars)]
    counted[0].words = "Count-in"
    if pickup:
        late = part.meter.bar - pickup[0].length
        beats = int(late / part.meter.beat)
        counted[-1].notes = [
            note._replace(start=note.start + late, end=note.end + late) for note in pickup[0].notes
        ]
        counted[-1].triplets = {beat + beats for beat in pickup[0].triplets}
    bars: list[Bar] = []
    for number, bar in enumerate([*counted, *played]):
        words = bar.words if bar.words != "Last time" else "Ending"
        if bar.number == 1 and bar.source != "intro" and part.choruses > 1:
            words = f"Chorus {1 + sum(other.words.startswith('Chorus') for other in bars)}"
        bars.append(replace(bar.without_repeats(), number=number, words=words))
    return replace(part, bars=bars)
