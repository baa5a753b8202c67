"""Thousands of kills while the practice log is written, a thousand for each seed."""

import pytest

from tests.practice_log.killed import check_killed_in_memory, killed


@pytest.mark.parametrize("seed", range(7, 12))
def test_killed_a_thousand_times(seed):
    check_killed_in_memory(1000, seed)


def test_killed_on_a_disk(tmp_path):
    *_, entries = killed(tmp_path, 400, 0.1)
    assert entries > 200
