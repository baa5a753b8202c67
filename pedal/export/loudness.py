"""How loud a WAV is, after ITU-R BS.1770: K-weighted, gated blocks of 400 ms. Pure Python.

A long file is measured in blocks spread over it, not in all that overlap: the answer is within
a few tenths of a decibel of the whole one, in a second instead of a minute.
"""

import math
import sys
import wave
from array import array
from pathlib import Path
from typing import NamedTuple

RATE = 48_000  # the filters' coefficients are BS.1770's own, which are for this rate
_BLOCK = RATE * 4 // 10
_SETTLE = RATE // 20  # samples that the filters run before a block counts
_BLOCKS = 60  # at most
_GOLDEN = 0.6180339887498949  # blocks are jittered, so that no beat is always hit or missed
_SILENCE, _RELATIVE = -70.0, -10.0  # gates, LUFS and LU
FULL = 32768.0

# Two biquads in a row: the head's shelf, then the high-pass. (b0, b1, b2, a1, a2)
_SHELF = (1.53512485958697, -2.69169618940638, 1.19839281085285, -1.69065929318241, 0.73248077421585)
_HIGH = (1.0, -2.0, 1.0, -1.99004745483398, 0.99007225036621)


class Loudness(NamedTuple):
    """`lufs` as BS.1770 counts, and the highest sample in dB below full scale."""

    lufs: float
    peak: float


def measure(path: Path) -> Loudness:
    """A 16-bit stereo WAV at 48 kHz. ValueError for another."""
    with wave.open(str(path)) as file:
        shape = file.getnchannels(), file.getsampwidth(), file.getframerate()
        if shape != (2, 2, RATE):
            raise ValueError(f"{str(path)!r}: {shape} is not two channels of 16 bits at {RATE} a second")
        samples = array("h", file.readframes(file.getnframes()))
    if sys.byteorder == "big":
        samples.byteswap()
    peak = max(max(samples, default=0), -min(samples, default=0))
    return Loudness(_loudness(samples), 20 * math.log10(max(peak, 1) / FULL))


def _loudness(samples: array) -> float:
    frames = len(samples) // 2
    if frames < _BLOCK:
        return _SILENCE
    count = max(1, min(_BLOCKS, (frames - _BLOCK) * 4 // _BLOCK))
    stretch = (frames - _BLOCK) / count
    powers = []
    for number in range(count):
        at = int((number + number * _GOLDEN % 1) * stretch)
        powers.append(sum(_power(samples, at, channel) for channel in (0, 1)))
    gated = [power for power in powers if _lufs(power) > _SILENCE]
    if not gated:
        return _SILENCE
    floor = _lufs(sum(gated) / len(gated)) + _RELATIVE
    gated = [power for power in gated if _lufs(power) > floor]
    return _lufs(sum(gated) / len(gated))


def _lufs(power: float) -> float:
    return -0.691 + 10 * math.log10(power) if power > 0 else -math.inf


def _power(samples: array, at: int, channel: int) -> float:
    """The mean square of a block of one channel, weighted."""
    start = max(0, at - _SETTLE)
    settle = at - start
    stretch = samples[2 * start + channel : 2 * (at + _BLOCK) + channel : 2]
    b0, b1, b2, a1, a2 = _SHELF
    _, _, _, c1, c2 = _HIGH
    x1 = x2 = y1 = y2 = z1 = z2 = 0.0
    total = 0.0
    for index, sample in enumerate(stretch):
        y = b0 * sample + b1 * x1 + b2 * x2 - a1 * y1 - a2 * y2
        z = y - 2 * y1 + y2 - c1 * z1 - c2 * z2
        x2, x1, y2, y1, z2, z1 = x1, sample, y1, y, z1, z
        if index >= settle:
            total += z * z
    return total / _BLOCK / FULL / FULL
