"""The drummer: count-in, groove, fills and the hit on the one."""

from .beat import PHRASE_END, TOP_FILL, Band, BeatContext, Note, stray, tail_of
from .feels import DRUM_KEYS, DrumBeat, Stroke
from .grid import slot_ticks
from .humanize import DRUM_SPREADS, DRUMS
from .plan import Plan

_CRASH, _STICK, _RIDE, _HAT = (DRUM_KEYS[name] for name in ("crash", "side-stick", "ride", "hat"))
_COUNT_VELOCITY = 100


def count_bars(style: str, mbpm: int) -> int:
    """Bars of count-in: one, above 130 beats a minute two."""
    return 2 if style == "beats" and mbpm > 130_000 else 1


def count_strokes(style: str, bars: int, beats: int) -> tuple[tuple[int, ...], ...]:
    """The count-in: for each beat, the slots of three on which the sticks fall.

    Of two bars the first is counted in halves (1 - 2 - | 1 2 3 4).
    """
    halves = tuple((0,) if beat % 2 == 0 else () for beat in range(beats))
    if style == "halves":
        return halves
    if style == "triplets":
        return ((0,),) * (beats - 2) + ((0, 1, 2),) * 2
    return halves * (bars - 1) + ((0,),) * beats


def count_in(plan: Plan, here: BeatContext, swing: float) -> list[Note]:
    """The sticks of a count-in beat."""
    ticks = plan.feel.ticks
    slots = slot_ticks(3, ticks, swing)
    starts = [here.tick + slots[slot] for slot in here.sticks]
    return [Note(start, start + ticks // 8, 0, "drums", _STICK, _COUNT_VELOCITY) for start in starts]


_STOP = (Stroke(0, 1, DRUM_KEYS["kick"], 112), Stroke(0, 1, DRUM_KEYS["snare"], 108))
STOP_BARS = 4


def _drum_beat(plan: Plan, here: BeatContext) -> DrumBeat:
    feel, beat = plan.feel, here.beat - 1
    if here.stops:
        into_time = here.bar == STOP_BARS and here.beat > feel.beats - 2
        return feel.fills[2][here.beat - feel.beats + 1] if into_time else _STOP if here.beat == 1 else ()
    if here.stage == "hats":
        return feel.hats[beat]
    tail = tail_of(plan, here)
    if tail and tail.drums and (strokes := tail.drums[here.cell.tail_beat]) is not None:
        return strokes
    if here.fill > 0 and here.beat > feel.beats - here.fill:
        return feel.fills[here.fill][here.beat - 1 - (feel.beats - here.fill)]
    if here.fill == TOP_FILL:
        return feel.top[beat]
    if here.fill == PHRASE_END:
        return feel.phrase_end[beat]
    return feel.groove[(here.bar - 1) % len(feel.groove)][beat]


def drums(plan: Plan, here: BeatContext, band: Band, swing: float) -> list[Note]:
    """The drummer's strokes in one beat."""
    ticks = plan.feel.ticks
    strokes = _drum_beat(plan, here)
    crash = here.hit and here.beat == 1
    notes = []
    for index, stroke in enumerate(strokes):
        key = stroke.key
        if crash and stroke.slot == 0 and key in (_RIDE, _HAT):
            key, crash = _CRASH, False  # one crash is enough
        shift, louder = stray(plan, here, band, "drums", index, DRUM_SPREADS.get(key, DRUMS))
        tick = here.tick + slot_ticks(stroke.slots, ticks, swing)[stroke.slot]
        velocity = max(1, min(127, stroke.velocity + louder))
        notes.append(Note(tick, tick + ticks // 8, shift, "drums", key, velocity))
    return notes
