"""Standard MIDI Files 1.0 (RP-001) to the byte: tracks of events in ticks into a file.

A format 1 file is a tempo map (the first track) and a track a part. Running status is used
within a track; meta events end it.
"""

import struct
from collections.abc import Iterable, Sequence
from typing import NamedTuple

LONGEST = 0x0FFFFFFF  # what a variable-length quantity can hold
MIDDLE_CLOCKS = {8: 36}  # MIDI clocks in a beat by the meter's lower number; 24 in a quarter
_TEXT, _NAME, _MARKER, _END, _TEMPO, _TIME, _KEY = 0x01, 0x03, 0x06, 0x2F, 0x51, 0x58, 0x59
_META = 0xFF


class Event(NamedTuple):
    """Bytes at a tick: a channel message with its status byte, or a whole meta event."""

    tick: int
    data: bytes


def variable(number: int) -> bytes:
    """A variable-length quantity: seven bits a byte, the highest first, bit 7 set on all but the last."""
    if not 0 <= number <= LONGEST:
        raise ValueError(f"{number:#x} is no variable-length quantity (0 to {LONGEST:#x})")
    out = [number & 0x7F]
    while number := number >> 7:
        out.append(number & 0x7F | 0x80)
    return bytes(reversed(out))


def meta(kind: int, data: bytes) -> bytes:
    return bytes((_META, kind)) + variable(len(data)) + data


def name(text: str) -> bytes:
    return meta(_NAME, _encoded(text))


def marker(text: str) -> bytes:
    return meta(_MARKER, _encoded(text))


def tempo(us_per_quarter: int) -> bytes:
    if not 0 < us_per_quarter < 1 << 24:
        raise ValueError(f"{us_per_quarter} µs a quarter note do not fit")
    return meta(_TEMPO, us_per_quarter.to_bytes(3, "big"))


def time_signature(upper: int, lower: int) -> bytes:
    """The metronome of an eighth meter clicks dotted quarters, as in the specification's 6/8."""
    clocks = MIDDLE_CLOCKS.get(lower, 96 // lower)
    return meta(_TIME, bytes((upper, lower.bit_length() - 1, clocks, 8)))


def key_signature(fifths: int, minor: bool) -> bytes:
    return meta(_KEY, struct.pack(">bB", fifths, minor))


def track(events: Iterable[Event], end: int | None = None) -> bytes:
    """A track chunk; End of Track comes at `end`, or with the last event."""
    out = bytearray()
    now, status = 0, None
    for event in sorted(events, key=lambda event: event.tick):
        out += variable(event.tick - now)
        now = event.tick
        first = event.data[0]
        if first < 0xF0:
            out += event.data if first != status else event.data[1:]
            status = first
        else:
            out += event.data
            status = None
    out += variable(max(0, (end or 0) - now)) + meta(_END, b"")
    return b"MTrk" + struct.pack(">I", len(out)) + bytes(out)


def song(tracks: Sequence[bytes], division: int, kind: int = 1) -> bytes:
    """A whole file, of format `kind`, with `division` ticks to a quarter note."""
    return b"MThd" + struct.pack(">IHHH", 6, kind, len(tracks), division) + b"".join(tracks)


def _encoded(text: str) -> bytes:
    """ASCII as far as it goes, with b and # for flats and sharps, which every reader shows; else UTF-8."""
    return text.replace("♭", "b").replace("♯", "#").replace("ø7", "m7b5").encode()
