"""Slots and swing."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from pedal.music.grid import SLOTS, beat_cells, slot_ticks

# Two-eighth ratios played by drummers in a blues shuffle, middle half of 232 pairs: Groove
# MIDI Dataset v1.0 (Gillick et al., ICML 2019; CC BY 4.0), median 1.99.
SHUFFLE = (1.89, 2.12)


def ratio(ticks: int, swing: float) -> float:
    upbeat = slot_ticks(2, ticks, swing)[1]
    return upbeat / (ticks - upbeat)


def test_a_shuffle_is_two_to_one(library):
    feel = library.feel("medium-shuffle")
    for bpm in range(40, 261):
        assert SHUFFLE[0] <= ratio(feel.ticks, feel.swing_at(bpm)) <= SHUFFLE[1]


def test_straight_eighths_are_even():
    assert slot_ticks(2, 480, 1.0) == (0, 240)
    assert slot_ticks(3, 480, 1.0) == (0, 160, 320)
    assert slot_ticks(4, 480, 1.0) == (0, 120, 240, 360)
    assert slot_ticks(6, 720, 1.0) == (0, 120, 240, 360, 480, 600)


def test_a_shuffle_is_the_outside_of_a_triplet():
    assert slot_ticks(2, 480, 2.0) == (0, 320)
    assert slot_ticks(3, 480, 2.0) == (0, 160, 320)
    assert slot_ticks(4, 480, 2.0) == (0, 160, 320, 400)
    assert slot_ticks(6, 480, 2.0) == (0, 80, 160, 240, 320, 400)


@given(st.sampled_from(SLOTS), st.sampled_from((480, 720)), st.floats(1.0, 4.5))
def test_slots_rise_within_the_beat(slots, ticks, swing):
    places = slot_ticks(slots, ticks, swing)
    assert len(places) == slots and places[0] == 0
    assert list(places) == sorted(set(places)) and places[-1] < ticks


@given(st.sampled_from((480, 720)), st.floats(1.25, 4.5))
def test_all_grids_share_the_upbeat_of_a_swing(ticks, swing):
    upbeat = slot_ticks(2, ticks, swing)[1]
    assert slot_ticks(3, ticks, swing)[2] == slot_ticks(4, ticks, swing)[2] == upbeat
    assert slot_ticks(6, ticks, swing)[4] == upbeat


@pytest.mark.parametrize(
    ("row", "says"),
    [
        ("", "0 slots"),
        ("x-x | x-", "beat 2 has 2 slots, the first has 3"),
        ("xxxxx", "5 slots"),
        ("x-q", "'q' is none of"),
        ("x-x | x-x", "2 beats, there should be 4"),
    ],
)
def test_a_wrong_row_is_told(row, says):
    with pytest.raises(ValueError, match=says):
        beat_cells(row, "-x", 4)
