"""MIDI bytes of a trace and of what was heard, and what a synth must not be left with."""

from collections import Counter
from collections.abc import Iterable, Sequence

# Note-offs stand in for nothing but their notes; these end the rest (MIDI 1.0, p. 20, 24-25).
SILENCE = {(channel, controller) for channel in (0, 1, 9) for controller in (64, 123, 120)}


def is_note(data: bytes) -> bool:
    """Whether a message is a note-on or a note-off."""
    return data[0] & 0xE0 == 0x80


def notes_of(trace: Iterable[dict]) -> list[bytes]:
    """The notes of a trace as the MIDI bytes that they were, in the order of the trace."""
    return [
        bytes(((0x90 if line["on"] else 0x80) | line["channel"] - 1, line["note"], line["velocity"]))
        for line in trace
        if line["type"] == "note"
    ]


def hanging(messages: Iterable[bytes]) -> set[tuple[int, int]]:
    """Channel and key of what still sounds. Fails for a key struck while it sounds, or ended twice."""
    count: Counter[tuple[int, int]] = Counter()
    for status, key, *_ in filter(is_note, messages):
        count[status & 15, key] += 1 if status & 0xF0 == 0x90 else -1
        assert count[status & 15, key] in (0, 1), (status & 15, key)
    return {key for key, sounding in count.items() if sounding}


def zeroed_after_last_note(messages: Sequence[bytes]) -> set[tuple[int, int]]:
    """Channel and controller of what was set to 0 after the last note."""
    last = max(index for index, data in enumerate(messages) if is_note(data))
    return {(data[0] & 15, data[1]) for data in messages[last:] if data[0] & 0xF0 == 0xB0 and data[2] == 0}
