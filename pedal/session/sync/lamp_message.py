"""What the lamps show, told to other boxes: one system-exclusive message has all of it.

    F0 7D 4C 50   non-commercial use (MIDI 1.0, p. 35), and that it is ours
    01            version
    ff            which run of the leader: another one counts its messages anew
    ss            number of the message, from 0 again after 127
    tt tt         when, in ms of the leader's clock
    st            0 stopped, 1 counting in, 2 playing, 3 in the ending
    cc cc bb bt   chorus, bar, beat
    ee ee         ms until the next message, at the latest
    mm            the lamps now: 1 I, 2 IV, 4 V, 8 other, 16 beat, 32 ready
    n             how many changes come, and each of them:
      dd dd mm    ms after `tt`, and the lamps from then on
    kk            makes the sum of all bytes from 4C to here a multiple of 128
    F7

Two bytes are 14 bits, the most significant first. Every byte between F0 and F7 has seven bits.
"""

from typing import NamedTuple

from ...events import LAMPS
from .midi_stream import END, EXCLUSIVE

VERSION = 1
NON_COMMERCIAL = 0x7D
OURS = b"LP"
STATES = ("stopped", "counting", "playing", "ending")
WRAP = 1 << 14  # ms after which `tt` begins anew
LONGEST_MS = WRAP - 1
_HEAD = bytes((EXCLUSIVE, NON_COMMERCIAL)) + OURS
_FIXED = 20  # bytes without changes
_BITS = {lamp: 1 << n for n, lamp in enumerate(LAMPS)}


class Shown(NamedTuple):
    """All that a follower needs. Times in ms; `lit` and the changes' second are bits, one a lamp."""

    run: int
    number: int
    ms: int
    state: str
    chorus: int
    bar: int
    beat: int
    every: int
    lit: int
    changes: tuple[tuple[int, int], ...] = ()


def bits_of(lamps: "set[str] | tuple[str, ...]") -> int:
    """Lamps as bits."""
    return sum(_BITS[lamp] for lamp in set(lamps))


def lamps_of(bits: int) -> tuple[str, ...]:
    """Bits as lamps."""
    return tuple(lamp for lamp in LAMPS if bits & _BITS[lamp])


def encode(shown: Shown) -> bytes:
    """The message. What does not fit is cut: later changes, a chorus beyond 16383."""
    changes = [change for change in shown.changes if change[0] <= LONGEST_MS][:127]
    body = bytearray(OURS)
    body += bytes((VERSION, shown.run, shown.number))
    body += _two(shown.ms % WRAP)
    body.append(STATES.index(shown.state))
    body += _two(shown.chorus) + bytes((min(shown.bar, 127), min(shown.beat, 127)))
    body += _two(shown.every)
    body += bytes((shown.lit, len(changes)))
    for after, lit in changes:
        body += _two(after) + bytes((lit,))
    body.append(-sum(body) % 128)
    return bytes((EXCLUSIVE, NON_COMMERCIAL, *body, END))


def decode(message: bytes) -> Shown | None:
    """What a message says; None if it is not one of ours, of another version or damaged."""
    if len(message) < _FIXED or not message.startswith(_HEAD) or message[-1] != END:
        return None
    body = message[2:-1]
    if max(body) > 127 or sum(body) % 128 or body[2] != VERSION:
        return None
    run, number, state, bar, beat = body[3], body[4], body[7], body[10], body[11]
    lit, count = body[14], body[15]
    if len(message) != _FIXED + 3 * count or state >= len(STATES):
        return None
    changes = tuple((_value(body, at), body[at + 2]) for at in range(16, 16 + 3 * count, 3))
    masks, afters = [lit, *(lamps for _, lamps in changes)], [after for after, _ in changes]
    if max(masks) >= 1 << len(LAMPS) or afters != sorted(afters):
        return None
    ms, chorus, every = _value(body, 5), _value(body, 8), _value(body, 12)
    return Shown(run, number, ms, STATES[state], chorus, bar, beat, every, lit, changes)


def _two(value: int) -> bytes:
    value = min(max(value, 0), LONGEST_MS)
    return bytes((value >> 7, value & 0x7F))


def _value(body: bytes, at: int) -> int:
    return body[at] << 7 | body[at + 1]
