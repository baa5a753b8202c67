"""A thousand hours of rehearsals with a hostile foot: more than ten million notes."""

import pytest

from tests.simulation.episode import check_hours

FIRST = 20_000  # the seed: the suite's own hours are the first of these
HOURS, AT_A_TIME = 1000, 10


@pytest.mark.parametrize("hour", range(0, HOURS, AT_A_TIME))
def test_nothing_breaks(hour):
    check_hours(FIRST, hour, AT_A_TIME)
