"""A JACK client that hears MIDI and sound, each with its frame on JACK's own clock."""

import time
from collections.abc import Sequence
from itertools import pairwise
from typing import NamedTuple

import numpy as np

from tests.real.wait import wait_for


class Heard(NamedTuple):
    """A MIDI message and the frame in which it arrived."""

    frame: int
    data: bytes


class Ear:
    """Ports `NAME:midi` and `NAME:sound`. What is connected to them is kept, period by period."""

    def __init__(self, name: str, midi: bool = True) -> None:
        """`midi=False`: no MIDI port, which somebody might take for a synth's."""
        import jack  # finds its C library at import, or fails

        jack.set_error_function(lambda _: None)
        jack.set_info_function(lambda _: None)
        self.messages: list[Heard] = []
        self._blocks: list[np.ndarray] = []
        self._clock: list[tuple[int, int, int]] = []  # monotonic ns, JACK's frame then, first frame
        self._client = jack.Client(name, no_start_server=True)
        self.midi = self._client.midi_inports.register("midi") if midi else None
        self._sound = self._client.inports.register("sound")
        self._client.set_process_callback(self._hear)
        self._client.activate()

    def _hear(self, frames: int) -> None:
        first = self._client.last_frame_time
        self._clock.append((time.monotonic_ns(), self._client.frame_time, first))
        for offset, data in self.midi.incoming_midi_events() if self.midi else ():
            self.messages.append(Heard(first + offset, bytes(data)))
        self._blocks.append(self._sound.get_array().copy())

    def ports(self, part: str, **kind: bool) -> list[str]:
        """Names of the ports that have `part` in them."""
        return [port.name for port in self._client.get_ports(part, **kind)]

    def listen_to_midi(self, part: str) -> None:
        """Connect the first MIDI output with `part` in its name, as soon as it is there."""
        found = wait_for(f"port {part}", lambda: self.ports(part, is_midi=True, is_output=True))
        self._client.connect(found[0], self.midi)

    def listen_to_sound(self, part: str) -> None:
        """Connect the first sound output with `part` in its name, as soon as it is there."""
        found = wait_for(f"port {part}", lambda: self.ports(part, is_audio=True, is_output=True))
        self._client.connect(found[0], self._sound)

    def data(self) -> list[bytes]:
        """The MIDI messages so far, without their frames."""
        return [message.data for message in self.messages]

    def frames_of(self, monotonic_ns: Sequence[int]) -> np.ndarray:
        """JACK's frames of moments of the monotonic clock, by what both clocks said in each period."""
        clock = np.array(self._clock[1:], dtype=np.int64)
        start_ns, start_frame = clock[0, 0], clock[0, 1]
        moments = np.asarray(monotonic_ns, dtype=np.int64) - start_ns
        return np.interp(moments, clock[:, 0] - start_ns, clock[:, 1] - start_frame) + start_frame

    def sound(self) -> tuple[int, np.ndarray]:
        """The first frame, and the sound from there on; silence where a period was not heard."""
        blocks, firsts = self._blocks[:], [first for _, _, first in self._clock]
        length = len(blocks[0])
        sound = np.zeros(firsts[len(blocks) - 1] - firsts[0] + length, dtype=np.float32)
        for first, block in zip(firsts, blocks, strict=False):
            sound[first - firsts[0] : first - firsts[0] + length] = block
        return firsts[0], sound

    def stumbles(self) -> list[int]:
        """First frames of periods that did not follow on the one before: the machine was too busy."""
        firsts = [first for _, _, first in self._clock]
        period = len(self._blocks[0])
        return [b for a, b in pairwise(firsts) if b - a != period]

    def close(self) -> None:
        self._client.deactivate()
        self._client.close()
