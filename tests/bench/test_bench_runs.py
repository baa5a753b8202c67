"""The benchmarks run, and what they conclude from follows from what they measure."""

import re

import pytest

from tests.bench import lateness, presses
from tests.bench.__main__ import main
from tests.bench.figures import figures, percentile, row, us
from tests.bench.machine import machine


@pytest.mark.parametrize(
    ("part", "says"),
    [
        ("compose", r"composing a beat, processor time +\d+ +[\d.]+ "),
        ("compose", r"the same, each after 20 ms of nothing +\d+ +[\d.]+ "),
        ("simulate", r"\d+ / \d+ / \d+ x real time"),
        ("startup", r"pedal --help: \d+ ms"),
        ("memory", r"resident after 1 minute: [\d.]+ MB, 60 minutes: [\d.]+ MB"),
    ],
)
def test_parts_that_need_no_priority_run(part, says, capsys):
    assert main(["--quick", "--only", part]) == 0
    assert re.search(says, capsys.readouterr().out)


def test_the_engine_between_two_floors_runs_with_and_without_permission(capsys):
    assert main(["--quick", "--only", "tail"]) == 0
    said = capsys.readouterr().out
    for title in ("C floor, before", "engine, first of a slot", "C floor, after"):
        assert len(re.findall(rf"{title} +(\d+ +[\d.]+ |not measured)", said)) == 2
    assert said.count("second floor to the first: p50 ") == 2 * ("not measured" not in said)


def test_a_part_that_there_is_not(capsys):
    with pytest.raises(SystemExit):
        main(["--only", "latness"])
    assert "there is no latness; there are lateness, work" in capsys.readouterr().err


def test_the_whole_engine_plays_on_time_and_answers_a_foot():
    with machine() as here:
        run = here.engine(priority=False, seconds=1.5, foot="soft", bpm=600)
    first, further, gaps = lateness.of_trace(run["lines"])
    assert len(first) > 20 and len(further) == len(gaps) > 20
    assert figures(first).p50 < 20_000_000 and min(first) >= 0
    assert run["presses"] and run["composed"]
    assert all(0 < late < 500_000_000 for late in presses.lamp_latencies(run))


def test_slots_are_what_is_due_together():
    sent = [(100, 5), (100, 6), (100, 9), (250, 1), (300, 0), (300, 2)]
    assert lateness.slots(sent) == ([5, 1, 0], [6, 9, 2], [1, 3, 2])


def test_percentiles_are_of_the_nearest_rank():
    values = list(range(1, 1001))
    assert [percentile(values, share) for share in (50, 99, 99.9, 100)] == [500, 990, 999, 1000]
    assert percentile([7], 99.9) == 7
    found = figures([0, 2_000_000, 5, 6])
    assert (found.count, found.p50, found.most, found.late) == (4, 5, 2_000_000, 25.0)
    assert figures([]) is None and "not measured" in row("nothing", None)


def test_small_times_keep_a_decimal():
    assert [us(ns) for ns in (1_234, 9_949, 12_345, -300)] == ["1.2", "9.9", "12", "-0.3"]


def test_a_press_is_answered_by_the_lamp_due_at_it():
    lines = [
        {"type": "lamp", "at_ns": 50},
        {"type": "press", "at_ns": 1_000, "down": True},
        {"type": "lamp", "at_ns": 1_001},
        {"type": "press", "at_ns": 90_000_000, "down": True},
        {"type": "lamp", "at_ns": 99_000_000},  # the music's own, long after the press
    ]
    run = {"lights": [60, 1_300, 99_000_050], "presses": [990, 89_999_000], "lines": lines}
    assert presses.lamp_latencies(run) == [310]


def test_the_silence_after_a_stop_is_measured_to_its_last_message():
    ms = 1_000_000
    off, sound = [0xB9, 120, 0], [0x99, 36, 100]
    run = {
        "noted": [
            (5 * ms, sound),
            (30 * ms + 40, [0xB1, 120, 0]),
            (30 * ms + 70, off),
            (50 * ms, sound),
            (125 * ms, off),
        ],
        "presses": [10 * ms, 60 * ms, 100 * ms],  # the second was not heard
    }
    assert presses.silence_latencies(run) == [70, 5 * ms]
