"""Note values: whatever is split up adds up again, and reads as a musician writes it."""

from fractions import Fraction

import pytest
from hypothesis import given
from hypothesis import strategies as st

from pedal.export.values import VALUES, Bounds, Grid, Meter, split
from pedal.music.grid import slot_ticks

FOUR_FOUR = Meter(4, Fraction(1), False)
TWELVE_EIGHT = Meter(4, Fraction(3, 2), True)
METERS = [FOUR_FOUR, TWELVE_EIGHT, Meter(3, Fraction(1), False), Meter(2, Fraction(3, 2), True)]


@given(
    meter=st.sampled_from(METERS), ends=st.tuples(st.integers(0, 24), st.integers(0, 24)), rest=st.booleans()
)
def test_values_add_up(meter, ends, rest):
    start, end = (min(Fraction(one, 4), meter.bar) for one in sorted(ends))
    values = split(meter, start, end, set(), rest)
    assert sum(value.length for value in values) == end - start
    at = start
    for value in values:
        assert value.start == at and VALUES[value.length] == (value.kind, value.dots)
        at += value.length


@given(st.tuples(st.integers(0, 24), st.integers(0, 24)), st.sets(st.integers(0, 3)))
def test_values_add_up_in_triplets(ends, triplets):
    def snapped(sixth):
        beat, within = divmod(sixth, 6)
        return Fraction(sixth, 6) if beat in triplets else beat + Fraction(within // 3, 2)

    start, end = (snapped(one) for one in sorted(ends))
    values = split(FOUR_FOUR, start, end, triplets)
    assert sum(value.length for value in values) == end - start
    for value in values:
        if value.triplet:
            assert int(value.start) in triplets and value.length * Fraction(3, 2) in VALUES
            assert value.start + value.length <= int(value.start) + 1


def kinds(meter, start, end, rest=False):
    return [
        value.kind + "." * value.dots for value in split(meter, Fraction(start), Fraction(end), set(), rest)
    ]


def test_as_musicians_write_it():
    half, third = Fraction(1, 2), Fraction(3, 2)
    assert kinds(FOUR_FOUR, 0, 4) == ["whole"]
    assert kinds(FOUR_FOUR, 0, 3) == ["half."]
    assert kinds(FOUR_FOUR, 0, third) == ["quarter."]
    assert kinds(FOUR_FOUR, third, 3) == ["eighth", "quarter"]  # the middle of the bar is seen
    assert kinds(FOUR_FOUR, half, third) == ["quarter"]  # eighth, quarter, eighth
    assert kinds(FOUR_FOUR, 1, 3) == ["half"]
    assert kinds(FOUR_FOUR, 1, 4) == ["quarter", "half"]
    assert kinds(FOUR_FOUR, half, 4, rest=True) == ["eighth", "quarter", "half"]
    assert kinds(FOUR_FOUR, 1, 3, rest=True) == ["quarter", "quarter"]
    assert kinds(TWELVE_EIGHT, 0, 6) == ["whole."]
    assert kinds(TWELVE_EIGHT, 0, third) == ["quarter."]
    assert kinds(TWELVE_EIGHT, 0, 1) == ["quarter"]
    assert kinds(TWELVE_EIGHT, 1, 3) == ["eighth", "quarter."]


@pytest.mark.parametrize(("meter", "ticks"), [(FOUR_FOUR, 480), (TWELVE_EIGHT, 720)])
@pytest.mark.parametrize("swing", [1.0, 1.5, 2.0, 2.4])
def test_every_slot_of_a_grid_has_its_place(meter, ticks, swing):
    for slots in (1, 2, 3, 4, 6):
        places = slot_ticks(slots, ticks, swing)
        bounds = Bounds(Grid(meter, ticks, swing), places)
        written = [bounds.at(tick) for tick in places]
        assert written == sorted(set(written)) and written[0] == 0 and written[-1] < meter.beat
    with pytest.raises(ValueError, match="no grid"):
        Bounds(Grid(meter, ticks, swing), [7])


def test_a_swung_pair_is_written_even_and_a_triplet_as_one():
    grid = Grid(FOUR_FOUR, 480, 2.0)
    pair = Bounds(grid, [0, 320])
    assert pair.at(320) == Fraction(1, 2) and not pair.triplets
    triplet = Bounds(grid, [480, 640, 800])
    assert [triplet.at(tick) for tick in (640, 800)] == [Fraction(4, 3), Fraction(5, 3)]
    assert triplet.triplets == {1}
