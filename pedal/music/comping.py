"""The chord player: voicings of the plan in the feel's rhythms."""

from .beat import Band, BeatContext, Note, stray, tail_of
from .grid import slot_ticks
from .humanize import CHORDS, roll
from .layout import Cell, Sounding
from .plan import Plan

_STAB_VELOCITY = {True: 84, False: 70}


def chords(plan: Plan, here: BeatContext, band: Band, swing: float) -> list[Note]:
    """The chords struck in one beat."""
    feel, cell = plan.feel, here.cell
    ticks = feel.ticks
    if here.stops:
        return _voiced(plan, here, band, cell.sounding[0], 0, ticks // 2, True, 0) if here.beat == 1 else []
    if here.late:
        return _voiced(plan, here, band, cell.sounding[0], here.late, ticks, True, 0)
    tail = tail_of(plan, here)
    stabs = tail.comp[cell.tail_beat] if tail and tail.comp else None
    if stabs is None:
        rhythm = roll(f"{band.seed}/{plan.tune.name}/{here.chorus}/{here.bar}/comp") % len(feel.comp)
        stabs = feel.comp[rhythm][here.beat - 1]
    notes = []
    for index, stab in enumerate(stabs):
        slots = slot_ticks(stab.slots, ticks, swing)
        start = slots[stab.slot]
        beats, slot = divmod(stab.slot + stab.length, stab.slots)
        end = beats * ticks + slots[slot]
        chord = next(
            sound for sound in reversed(cell.sounding) if _begins(sound, cell, swing, ticks) <= start
        )
        if stab.ahead and here.beats_left == 1 and here.then:
            chord = here.then
            end = min(end, 2 * ticks)  # no further than the shortest chord that may come
        else:
            later = [_begins(sound, cell, swing, ticks) for sound in cell.sounding]
            stops = [begin for begin in later if begin > start]
            if here.beats_left is not None:
                stops.append(here.beats_left * ticks)
            end = min([end, *stops])
        notes += _voiced(plan, here, band, chord, start, end, stab.accent, index)
    return notes


def _begins(sound: Sounding, cell: Cell, swing: float, ticks: int) -> int:
    """Tick in the beat at which a chord of the cell starts; halves of beats swing."""
    if sound is cell.sounding[0] or sound.beat % 1 == 0:
        return 0
    return slot_ticks(2, ticks, swing)[1]


def _voiced(
    plan: Plan, here: BeatContext, band: Band, sound: Sounding, start: int, end: int, accent: bool, index: int
) -> list[Note]:
    shift, louder = stray(plan, here, band, "chords", index, CHORDS)
    velocity = _STAB_VELOCITY[accent] + louder
    return [Note(here.tick + start, here.tick + end, shift, "chords", key, velocity) for key in sound.voicing]
