"""MIDI files by mido, a reader that follows the tempo map: what is played in them, and when."""

from collections.abc import Iterable
from pathlib import Path
from typing import NamedTuple

import mido

from pedal.events import NS_PER_S, Send


class Stroke(NamedTuple):
    """A note that begins: its channel (from 0), key and velocity, and when, in seconds."""

    channel: int
    key: int
    velocity: int
    at: float


def strokes_of_file(path: Path) -> list[Stroke]:
    """Every note of a file, by channel, key and velocity, then by time."""
    now, found = 0.0, []
    for message in mido.MidiFile(path, charset="utf-8"):
        now += message.time
        if message.type == "note_on" and message.velocity:
            found.append(Stroke(message.channel, message.note, message.velocity, now))
    return sorted(found)


def strokes_of_sends(sends: Iterable[Send]) -> list[Stroke]:
    """The same of what a Session sent."""
    ons = [send for send in sends if send.data[0] & 0xF0 == 0x90]
    return sorted(Stroke(send.data[0] & 15, *send.data[1:], send.due / NS_PER_S) for send in ons)


def check_same_music(path: Path, sends: Iterable[Send], tick_s: float) -> int:
    """Fail if a file does not have the notes that were sent, to a tick. How many there are."""
    read, sent = strokes_of_file(path), strokes_of_sends(sends)
    assert [one[:3] for one in read] == [one[:3] for one in sent]
    apart = max(abs(one.at - other.at) for one, other in zip(read, sent, strict=True))
    assert apart <= tick_s, f"a note is {apart * 1000:.2f} ms from where it was sent"
    return len(read)
