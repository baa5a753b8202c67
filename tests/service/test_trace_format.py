"""The lines of the flight recorder."""

import json

import pytest

from pedal.events import ChorusDone, CommandDone, GestureDone, Light, Send
from pedal.service import trace_format

ON = Send(1_000, b"\x99\x24\x64", "drums", 2, 3, 4)


def lines(wire, *outputs):
    recorder = trace_format.Recorder(wire)
    return [line and json.loads(line) for line in (recorder.line(*output) for output in outputs)]


def test_a_note_as_dev_docs_describe_it():
    assert lines("usb", (ON, 1_250)) == [
        {
            "type": "note",
            "due_ns": 1_000,
            "sent_ns": 1_250,
            "part": "drums",
            "channel": 10,
            "note": 36,
            "velocity": 100,
            "on": True,
            "chorus": 2,
            "bar": 3,
            "beat": 4,
        }
    ]


def test_in_simulated_time_a_note_is_sent_when_due():
    assert lines("usb", (ON,))[0]["sent_ns"] == 1_000


@pytest.mark.parametrize(("status", "on"), [(0x80, False), (0x8F, False), (0x90, True), (0x9F, True)])
def test_both_kinds_of_notes(status, on):
    (line,) = lines("usb", (ON._replace(data=bytes((status, 60, 1))),))
    assert (line["on"], line["channel"]) == (on, (status & 15) + 1)


@pytest.mark.parametrize("data", [b"\x7f", b"\xa0\x3c\x01", b"\xb0\x40\x00", b"\xc1\x20"])
def test_what_is_no_note_leaves_no_line(data):
    assert lines("usb", (ON._replace(data=data),)) == [None]


def test_a_din_cable_carries_one_byte_at_a_time_and_every_byte_counts():
    program = Send(0, b"\xc1\x20", "bass", 0, 0, 0)
    told = lines("din", (program, 0), (ON, 100), (ON, 200), (ON, 9_000_000))
    assert told[0] is None
    assert [line["wire_ns"] for line in told[1:]] == [1_600_000, 2_560_000, 9_960_000]


def test_lamps_and_marks():
    assert lines("din", (Light(5, "IV", True),), (ChorusDone(6, "wet-boots", "B♭", 112_000, 2),)) == [
        {"type": "lamp", "at_ns": 5, "lamp": "IV", "lit": True},
        {"type": "chorus", "at_ns": 6, "tune": "wet-boots", "key": "B♭", "mbpm": 112_000, "chorus": 2},
    ]


def test_what_there_may_be_is_left_out_where_it_is_not():
    said = lines(
        "usb",
        (GestureDone(1, "main", "tap", "cue"),),
        (GestureDone(2, "main", "double", "ignored", "not now", withdrew=True),),
        (CommandDone(3, "tempo", 92, id=7),),
        (CommandDone(4, "cue", None, "not playing"),),
    )
    assert said == [
        {"type": "gesture", "at_ns": 1, "switch": "main", "gesture": "tap", "action": "cue"},
        {
            "type": "gesture",
            "at_ns": 2,
            "switch": "main",
            "gesture": "double",
            "withdrew": True,
            "action": "ignored",
            "reason": "not now",
        },
        {"type": "command", "at_ns": 3, "name": "tempo", "value": 92},
        {"type": "command", "at_ns": 4, "name": "cue", "value": None, "reason": "not playing"},
    ]
