"""What a DIN cable makes of a slot. Numbers by hand from 31,250 bits a second and ten bits a byte."""

from pedal.events import Send
from pedal.hardware.din_cable import BYTE_NS, DinCable
from pedal.session.note_queue import OFF_EARLY_NS
from tests.support.band import MS, Run, S, tap

US = 1000


def note(due, key=36, part="drums"):
    return Send(due, bytes((0x99, key, 100)), part, 1, 1, 1)


def wire_times(sends):
    """When each has left through a cable that is free, if all are sent when due."""
    cable = DinCable()
    return [cable.left(send.due, send.data) for send in sends]


def test_a_byte_is_ten_bits_at_31250_a_second():
    assert BYTE_NS * 31_250 == 10 * 10**9


def test_a_note_takes_960_microseconds_and_a_program_640():
    cable = DinCable()
    assert cable.left(5 * MS, b"\x99\x24\x64") == 5 * MS + 960 * US
    assert cable.left(20 * MS, b"\xc0\x10") == 20 * MS + 640 * US


def test_the_seven_notes_of_a_downbeat_leave_one_after_another():
    assert wire_times([note(1 * S, key) for key in range(36, 43)]) == [
        1 * S + us * US for us in (960, 1920, 2880, 3840, 4800, 5760, 6720)
    ]


def test_five_offs_before_a_downbeat_push_its_kick_to_5_76_milliseconds():
    offs = [Send(0, bytes((0x80, key, 64)), "chords", 1, 1, 1) for key in range(60, 65)]
    assert wire_times([*offs, note(0)])[-1] == 5_760 * US


def test_a_cable_that_was_idle_begins_at_once():
    cable = DinCable()
    cable.left(0, b"\x99\x24\x64")
    assert cable.left(959_999, b"\x99\x24\x64") == 1_920 * US
    assert cable.left(10 * MS, b"\x99\x24\x64") == 10 * MS + 960 * US


def test_no_off_comes_between_a_slot_and_the_drums_that_begin_it():
    """Offs leave 4 ms before a slot, or behind its drums (DESIGN 7)."""
    sends = Run(tap(0), 60 * S, strict=True).sends
    slots = {}
    for send in sends:
        slots.setdefault(send.due, []).append((send.part, send.data[0] & 0xF0))
    together = [slot for slot in slots.values() if ("drums", 0x90) in slot]
    assert len(together) > 50
    for slot in together:
        drums = [index for index, (part, kind) in enumerate(slot) if (part, kind) == ("drums", 0x90)]
        offs = [index for index, (_, kind) in enumerate(slot) if kind == 0x80]
        # A drum that is struck again ends its own last stroke first.
        assert all(off > drums[0] or slot[off][0] == "drums" for off in offs), slot


def test_on_a_cable_the_first_drum_of_a_slot_waits_for_nothing():
    sends = Run(tap(0), 60 * S, strict=True).sends
    cable = DinCable()
    waits = {}
    for send in sends:
        left = cable.left(send.due, send.data)
        if send.part == "drums" and send.data[0] & 0xF0 == 0x90:
            waits.setdefault(send.due, left - send.due)
    # Three bytes of its own, and at most what five offs need beyond their 4 ms.
    assert max(waits.values()) <= 960 * US + max(0, 5 * 960 * US - OFF_EARLY_NS)
