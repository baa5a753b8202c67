"""Finds in a stream of MIDI bytes what machines that play together say to each other.

That is: real-time messages (F8 clock, FA start, FB continue, FC stop), the song position (F2) and
system-exclusive messages. A real-time byte may stand anywhere, inside of another message too, and
leaves that one as it is; any other status byte ends what has begun (MIDI 1.0 Detailed
Specification, p. 5 and 30).
"""

CLOCK, START, CONTINUE, STOP = 0xF8, 0xFA, 0xFB, 0xFC
SONG_POSITION, EXCLUSIVE, END = 0xF2, 0xF0, 0xF7
REAL_TIME = 0xF8  # and all above
LONGEST = 4096  # of a system-exclusive message: who sends more means somebody else


class Stream:
    """One cable. Feed it pieces of any size."""

    def __init__(self) -> None:
        self._begun = bytearray()  # a song position or a system-exclusive message

    def feed(self, data: bytes) -> list[bytes]:
        """The messages that are whole with these bytes."""
        found = []
        for byte in data:
            if byte >= REAL_TIME:
                if byte in (CLOCK, START, CONTINUE, STOP):
                    found.append(bytes((byte,)))
            elif byte >= 0x80:
                if byte == END and self._begun and self._begun[0] == EXCLUSIVE:
                    found.append(bytes((*self._begun, END)))
                self._begun = bytearray((byte,)) if byte in (SONG_POSITION, EXCLUSIVE) else bytearray()
            elif self._begun and len(self._begun) < LONGEST:
                self._begun.append(byte)
                if self._begun[0] == SONG_POSITION and len(self._begun) == 3:
                    found.append(bytes(self._begun))
                    self._begun = bytearray()
            else:
                self._begun = bytearray()
        return found


def song_position(sixteenths: int) -> bytes:
    """The message for a position in sixteenths, each of 6 clocks; the least significant bits first."""
    return bytes((SONG_POSITION, sixteenths & 0x7F, sixteenths >> 7 & 0x7F))


def sixteenths_of(message: bytes) -> int:
    """The position that such a message tells."""
    return message[1] | message[2] << 7
