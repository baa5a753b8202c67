"""What the synth is told before it plays: programs, volumes, pan (General MIDI level 1)."""

from ..events import Send
from ..music.beat import CHANNELS
from ..music.plan import Plan

_PROGRAM, _CONTROL = 0xC0, 0xB0
VOLUME, PAN = 7, 10
# A small band heard from the front: the bass in the middle with the drums, chords a little aside.
_PANS = {"drums": 64, "bass": 60, "chords": 76}


def setup_messages(plan: Plan, due: int) -> list[Send]:
    """Programs, volumes and pan of every channel, due at once."""
    out = []
    for part, channel in CHANNELS.items():
        volume, pan = plan.feel.volumes[part], _PANS[part]
        messages = [bytes((_CONTROL | channel, VOLUME, volume)), bytes((_CONTROL | channel, PAN, pan))]
        if part in plan.feel.programs:
            messages.insert(0, bytes((_PROGRAM | channel, plan.feel.programs[part])))
        out += [Send(due, data, part, 0, 0, 0) for data in messages]
    return out
