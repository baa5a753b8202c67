"""Somebody in JACK's world who hears MIDI and sound, each with its frame on JACK's own clock."""

import subprocess
import sys
from collections.abc import Sequence
from itertools import pairwise
from pathlib import Path
from typing import NamedTuple

import numpy as np

from tests.support.listening import EVENT, HEAD
from tests.support.wait import wait_for


class Heard(NamedTuple):
    """A MIDI message and the frame in which it arrived."""

    frame: int
    data: bytes


class Period(NamedTuple):
    """One period of JACK as it was heard."""

    ns: int
    """The monotonic clock in it,"""
    frame: int
    """and JACK's clock at the same moment."""
    first: int
    """The frame it begins with."""
    messages: tuple[Heard, ...]
    sound: np.ndarray


class Ear:
    """Ports `NAME:midi` and `NAME:sound`. What is connected to them is kept, period by period."""

    def __init__(self, name: str, file: Path, midi: bool = True) -> None:
        """`midi=False`: no MIDI port, which somebody might take for a synth's."""
        import jack  # finds its C library at import, or fails

        jack.set_error_function(lambda _: None)
        jack.set_info_function(lambda _: None)
        self._name, self._path, self._read = name, file, 0
        self._periods: list[Period] = []
        command = [sys.executable, "-m", "tests.support.listening", name, str(file)]
        self._process = subprocess.Popen(
            [*command, *["--midi"] * midi],
            stdin=subprocess.PIPE,
            stdout=subprocess.DEVNULL,
            stderr=subprocess.STDOUT,
        )
        wait_for(f"ear {name}", lambda: file.exists() and self.periods())
        self._client = jack.Client(f"{name} looks", no_start_server=True)  # only asks and connects

    def periods(self) -> list[Period]:
        """All that was heard so far."""
        with self._path.open("rb") as file:
            file.seek(self._read)
            data = file.read()
        at = 0
        while (record := _period(data, at)) is not None:
            period, at = record
            self._periods.append(period)
        self._read += at
        return self._periods

    def messages(self) -> list[Heard]:
        """The MIDI messages so far."""
        return [message for period in self.periods() for message in period.messages]

    def data(self) -> list[bytes]:
        """The MIDI messages so far, without their frames."""
        return [message.data for message in self.messages()]

    def sound(self) -> tuple[int, np.ndarray]:
        """The first frame, and the sound from there on; silence where a period was not heard."""
        periods = self.periods()
        start, last = periods[0].first, periods[-1]
        sound = np.zeros(last.first - start + len(last.sound), dtype=np.float32)
        for period in periods:
            sound[period.first - start :][: len(period.sound)] = period.sound
        return start, sound

    def stumbles(self) -> list[int]:
        """First frames of periods that did not follow on the one before: the machine was too busy."""
        pairs = pairwise(self.periods())
        return [after.first for before, after in pairs if after.first - before.first != len(before.sound)]

    def frames_of(self, monotonic_ns: Sequence[int]) -> np.ndarray:
        """JACK's frames of moments of the monotonic clock, by what both clocks said in each period."""
        clock = np.array([(period.ns, period.frame) for period in self.periods()[1:]], dtype=np.int64)
        moments = np.asarray(monotonic_ns, dtype=np.int64) - clock[0, 0]
        return np.interp(moments, *(clock - clock[0]).T) + clock[0, 1]

    # ---- its place in the world ---------------------------------------------------------

    def ports(self, part: str, **kind: bool) -> list[str]:
        """Names of the ports that have `part` in them."""
        return [port.name for port in self._client.get_ports(part, **kind)]

    def listen_to_midi(self, part: str) -> None:
        """Connect the first MIDI output with `part` in its name, as soon as it is there."""
        found = wait_for(f"port {part}", lambda: self.ports(part, is_midi=True, is_output=True))
        self._client.connect(found[0], f"{self._name}:midi")

    def listen_to_sound(self, part: str) -> None:
        """Connect the first sound output with `part` in its name, as soon as it is there."""
        found = wait_for(f"port {part}", lambda: self.ports(part, is_audio=True, is_output=True))
        self._client.connect(found[0], f"{self._name}:sound")

    def close(self) -> None:
        """It hears no more; what it has heard stays."""
        self._process.stdin.close()
        self._process.wait(5.0)
        self.periods()
        self._client.close()


def _period(data: bytes, at: int) -> tuple[Period, int] | None:
    """The record at a place in the file, and where the next one is; None if it is not all there yet."""
    if at + HEAD.size > len(data):
        return None
    ns, frame, first, frames, count = HEAD.unpack_from(data, at)
    events, sound = at + HEAD.size, at + HEAD.size + count * EVENT.size
    end = sound + frames * 4
    if end > len(data):
        return None
    heard = [EVENT.unpack_from(data, place) for place in range(events, sound, EVENT.size)]
    messages = tuple(Heard(first + offset, bytes_[:length]) for offset, length, bytes_ in heard)
    return Period(ns, frame, first, messages, np.frombuffer(data, np.float32, frames, sound)), end
