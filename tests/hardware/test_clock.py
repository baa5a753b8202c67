import pytest

from pedal.hardware.clock import RealClock, SimClock
from tests.hardware.conformance import check_clock


@pytest.mark.parametrize("make", [RealClock, SimClock, lambda: SimClock(now=5)])
def test_conformance(make):
    check_clock(make)


def test_simulated_clock_stands_still_until_told():
    clock = SimClock()
    assert clock.now() == 0
    clock.advance_to(7)
    clock.advance_to(7)
    assert clock.now() == 7


def test_simulated_clock_never_goes_back():
    clock = SimClock(now=10)
    with pytest.raises(ValueError) as caught:
        clock.advance_to(9)
    assert str(caught.value) == "the clock stands at 10 ns and cannot go back to 9 ns"
    assert clock.now() == 10
