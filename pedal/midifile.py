"""Standard MIDI Files (RP-001) of what a Session has sent."""

from collections.abc import Iterable
from io import BytesIO
from pathlib import Path

import mido

from .events import Output, Send
from .music.grid import QUARTER
from .music.plan import Plan
from .service.atomic_files import write_whole


def write(path: Path, outputs: Iterable[Output], plan: Plan, mbpm: int) -> None:
    """Write a format 1 file: tempo and meter first, then a track a part.

    Times are the Session's own nanoseconds at one tempo, so swing and variation are kept.
    OSError if the file cannot be written; then what was there before is untouched.
    """
    upper, lower = plan.feel.meter
    quarter_us = round(60e9 / mbpm * QUARTER / plan.feel.ticks)
    lead = mido.MidiTrack()
    lead.append(mido.MetaMessage("track_name", name=plan.tune.title))
    lead.append(mido.MetaMessage("set_tempo", tempo=quarter_us))
    thirds = 36 if lower == 8 else 24
    lead.append(
        mido.MetaMessage("time_signature", numerator=upper, denominator=lower, clocks_per_click=thirds)
    )
    lead.append(mido.MetaMessage("key_signature", key=_key_name(plan)))
    tracks: dict[str, tuple[mido.MidiTrack, list[int]]] = {}
    for output in outputs:
        if not isinstance(output, Send):
            continue
        if output.part not in tracks:
            track = mido.MidiTrack([mido.MetaMessage("track_name", name=output.part)])
            tracks[output.part] = (track, [0])
        track, last = tracks[output.part]
        tick = round(output.due * QUARTER / (quarter_us * 1000))
        track.append(mido.Message.from_bytes(output.data, time=tick - last[0]))
        last[0] = tick
    # RP-001 leaves open what lies beyond ASCII; Latin-1, which mido takes, has not every title.
    song = mido.MidiFile(type=1, ticks_per_beat=QUARTER, charset="utf-8")
    song.tracks += [lead, *(track for track, _ in tracks.values())]
    content = BytesIO()
    song.save(file=content)
    write_whole(path, content.getvalue())


def _key_name(plan: Plan) -> str:
    return str(plan.key).replace("♭", "b").replace("♯", "#")
