"""What is heard and seen of a tune that has just been loaded, before anybody starts it."""

from ..music.beat import Note
from ..music.plan import Plan
from ..music.timeline import Timeline
from .lamp_patterns import PULSE
from .lamp_scheduler import LampScheduler
from .note_queue import NoteQueue

PREVIEW_VELOCITY, PREVIEW_BARS = 76, 2


def preview(plan: Plan, mbpm: int, start: int, queue: NoteQueue, lamps: LampScheduler) -> int:
    """The new tonic chord, and the tempo on the lamps for two bars. Returns when it is over.

    No clicks: the band would come in.
    """
    ticks, first = plan.feel.ticks, plan.layout[0][0].sounding[0]
    timeline = queue.timeline = Timeline(0, start + 1, mbpm, ticks)
    chord = [Note(0, 2 * ticks, 0, "chords", key, PREVIEW_VELOCITY) for key in first.voicing]
    queue.notes(chord, (0, 0, 0), start)
    lamp = plan.chords[first.chord].degree.lamp
    beats = PREVIEW_BARS * plan.feel.beats
    for beat in range(beats):
        lamps.wink(timeline.at(beat * ticks), timeline.at(beat * ticks + ticks // 2), lamp, PULSE)
    return timeline.at(beats * ticks)
