"""A whole rehearsal and a whole practice hour come out as they are kept, and nothing in them is broken."""

import json
from pathlib import Path

import pytest

from pedal.events import BeatBegan, GestureDone, Light, Result, Send

from .scenes import SCENES, kept, play


@pytest.mark.parametrize("scene", SCENES)
def test_it_comes_out_as_it_is_kept(scene):
    """On purpose changed? `python -m tests.end_to_end.scenes.scenes` writes it anew."""
    expected = (Path(__file__).parent / f"{scene}.jsonl").read_text(encoding="utf-8").splitlines()
    for number, (line, wanted) in enumerate(zip(kept(scene), expected, strict=True), 1):
        assert line == wanted, f"line {number}"


def test_at_the_rehearsal_every_cue_moves_the_form_to_where_it_should():
    marks = [output for output in play("rehearsal") if isinstance(output, Result)]
    cues = [m.due for m in marks if isinstance(m, GestureDone) and m.action == "cue"]
    withdrawn = [m.due for m in marks if isinstance(m, GestureDone) and m.withdrew]
    lines = [(m.due, m) for m in marks if isinstance(m, BeatBegan) and m.beat == 1]
    right = 0
    for cue in cues:
        if any(0 < at - cue < 800_000_000 for at in withdrawn):
            continue
        before = [fields for due, fields in lines if due <= cue][-1]
        after = next(fields for due, fields in lines if due > cue)
        changes = (1, 2, 3, 5, 7, 9, 10, 11, 12)  # of a quick change with V in the last bar
        now = max(start for start in changes if start <= before.bar)
        assert after.bar == next((start for start in changes if start > now), 1)
        right += 1
    assert right >= 25


def test_in_the_hour_the_drills_get_faster_and_the_routine_goes_on():
    outputs = [json.loads(line) for line in kept("practice-hour") if "notes" not in line]
    repetitions = [line for line in outputs if line["type"] == "repetition"]
    assert len({line["change"] for line in repetitions}) == 3
    assert max(line["pace"] for line in repetitions) == 1000
    assert any(not line["clean"] for line in repetitions)
    played = [line for line in outputs if line["type"] == "position" and line["mode"] == "through"]
    assert {line["chord"] for line in played if line["bar"] == 1 and line["chorus"]} == {"A7", "D7"}


@pytest.mark.parametrize("scene", SCENES)
def test_every_note_ends_and_nothing_flashes_four_times(scene):
    sounding, rises = set(), [-1_000_000_000]
    for output in play(scene):
        if isinstance(output, Send) and output.data[0] & 0xE0 == 0x80:
            key = (output.data[0] & 15, output.data[1])
            if output.data[0] & 0x10:
                assert key not in sounding
                sounding.add(key)
            else:
                sounding.discard(key)
        elif isinstance(output, Light) and output.lit and output.due - rises[-1] > 1_000_000:
            rises.append(output.due)
    assert not sounding
    assert all(fourth - first > 999_000_000 for first, fourth in zip(rises, rises[3:], strict=False))
