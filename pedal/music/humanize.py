"""Small human variation, by a stable hash and never by a running generator.

The same (seed, tune, beat, part, index) varies the same way in every process and on every
machine, so a beat can be composed twice and come out the same.
"""

from typing import NamedTuple
from zlib import crc32

from ..events import NS_PER_MS

EARLIEST_NS = -15 * NS_PER_MS
LATEST_NS = 19 * NS_PER_MS  # listeners preferred less than 19 ms between drums and bass (JNMR 46(4), 2017)


class Spread(NamedTuple):
    """How far a part strays: mean and half-width of its timing in ms, half-width of velocity."""

    mean_ms: float
    width_ms: float
    velocity: int


DRUM_SPREADS = {
    36: Spread(0, 3, 5),
    38: Spread(3, 5, 6),
    51: Spread(-1, 3, 6),
    42: Spread(-1, 3, 6),
    44: Spread(-2, 3, 5),
    37: Spread(1, 3, 5),
}
DRUMS = Spread(0, 4, 5)
BASS = Spread(3, 3, 4)
CHORDS = Spread(6, 5, 5)


def roll(what: str) -> int:
    """32 stable bits for what is named, the same everywhere."""
    return crc32(what.encode())


def vary(bits: int, spread: Spread) -> tuple[int, int]:
    """Timing shift in ns and velocity change for 32 bits: triangular timing, flat velocity."""
    share = ((bits & 0xFF) + (bits >> 8 & 0xFF)) / 255 - 1
    shift = int((spread.mean_ms + share * spread.width_ms) * NS_PER_MS)
    change = (bits >> 16 & 0xFF) * (2 * spread.velocity + 1) // 256 - spread.velocity
    return max(EARLIEST_NS, min(LATEST_NS, shift)), change
