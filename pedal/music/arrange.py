"""What the band plays in one beat: a pure function of the plan, the place and a seed."""

from .bassline import bass, pickup_in
from .beat import Band, BeatContext, Note
from .comping import chords
from .drums import count_in, drums
from .plan import Plan


def compose(plan: Plan, here: BeatContext, band: Band, bpm: float) -> list[Note]:
    """Every note of one beat, at most 15 ms before and 19 ms after its place in the grid."""
    swing = max(1.0, plan.feel.swing_at(bpm) + band.swing)
    notes: list[Note] = []
    if here.stage == "count":
        notes += count_in(plan, here, swing)
        if "bass" in band.parts and here.guide:
            notes += pickup_in(plan, here, band, swing)
        return notes
    if "drums" in band.parts:
        notes += drums(plan, here, band, swing)
    if here.stage != "hats":
        if "bass" in band.parts and here.guide:
            notes += bass(plan, here, band, swing)
        if "chords" in band.parts:
            notes += chords(plan, here, band, swing)
    return notes
