"""When a message has left through a DIN cable, whose slowness decides who of a downbeat is late.

MIDI 1.0 Detailed Specification (4.2.1, p. 1 and 9): 31.25 kbaud, a start bit, eight data
bits and a stop bit, so 320 µs a byte and 960 µs a note. Every message carries its status byte:
ours leave one by one, and whether a driver joins them (running status) is out of our hands.
"""

BYTE_NS = 320_000
"""What one byte takes, start and stop bit included."""


class DinCable:
    """One cable: it carries a byte at a time, and what comes meanwhile waits."""

    def __init__(self) -> None:
        self._free_at = 0

    def left(self, at: int, data: bytes) -> int:
        """When the last byte has left of a message handed over at `at`, both in ns.

        Ask in the order of sending.
        """
        self._free_at = max(self._free_at, at) + len(data) * BYTE_NS
        return self._free_at
