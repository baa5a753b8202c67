"""The benchmarks of those who play along run, and judge what they measure."""

import random
import re

import pytest

from pedal.events import NS_PER_MS as MS
from pedal.events import NS_PER_S as S
from tests.bench import company
from tests.bench.__main__ import main
from tests.support.servers import missing


def test_an_unsteady_clock_is_followed(capsys):
    assert main(["--quick", "--only", "led"]) == 0
    assert re.search(r"10 ms( +\d+\.\d+){8} +\d+\.\d+, \d+\.\d+", capsys.readouterr().out)


def test_the_error_of_a_steady_clock_is_small_and_that_of_a_wild_one_is_not():
    steady, beats = company.followed(random.Random(1), 120, 0)
    wild, _ = company.followed(random.Random(1), 120, 60)
    assert max(map(abs, steady[2:])) < 0.002 < max(map(abs, wild[:4]))
    assert len(beats) == 24


@pytest.mark.skipif(bool(missing()), reason=f"not installed: {', '.join(missing())}")
@pytest.mark.parametrize(
    ("part", "says"),
    [("clock", r"clock, sent minus due +\d{2,}"), ("lamps", r"of the form \(told ahead\) +\d{2}")],
)
def test_parts_that_play_run(part, says, capsys):
    assert main(["--quick", "--only", part]) == 0
    assert re.search(says, capsys.readouterr().out)


def test_lamps_are_compared_change_by_change():
    def line(ns, lamp="I", lit=True):
        return {"type": "lamp", "at_ns": ns, "lamp": lamp, "lit": lit}

    def done(ns, lamp="I", lit=True):
        return {"set_ns": ns, "lamp": lamp, "lit": lit}

    leader = [
        line(3 * S),
        {"type": "press", "at_ns": 4 * S, "down": True},
        line(4 * S + 1, "V", False),
        line(5 * S),
    ]
    follower = [done(0), done(3 * S + 2 * MS), done(4 * S + 5 * MS, "V", False), done(7 * S)]
    assert company.delays(leader, follower) == ({"form": [2 * MS], "press": [5 * MS - 1]}, 1)
