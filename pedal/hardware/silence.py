"""Silence on a synth of which nobody knows what it plays."""

import time
from collections.abc import Callable

from ..music.beat import CHANNELS, SILENCE
from .port import SynthPort

# ALSA keeps 200 messages or so for who is slow to take them, and drops the rest without a word.
_BURST, _PAUSE_S = 16, 0.004


def end_everything(port: SynthPort, sleep: Callable[[float], None] = time.sleep) -> None:
    """Each note's off and the controllers that end notes, on our own channels first. Takes a second.

    `sleep` takes seconds.
    """
    ours = sorted(CHANNELS.values())
    for channel in [*ours, *(other for other in range(16) if other not in ours)]:
        offs = [bytes((0x80 | channel, key, 64)) for key in range(128)]
        controllers = [bytes((0xB0 | channel, number, 0)) for number in SILENCE]
        for count, data in enumerate([*offs, *controllers], 1):
            port.send(data)
            if count % _BURST == 0:
                sleep(_PAUSE_S)
