"""Full runs of odd inputs: a million of each format, each in parts that begin with a seed of their own.

Unlike `python -m tests.simulation.fuzz` a part has no limit on its memory, but ends if it has grown.
"""

from contextlib import closing

import pytest

from tests.simulation.fuzz.formats import FORMATS
from tests.simulation.fuzz.run import fuzz

PARTS = 10


@pytest.mark.parametrize("part", range(PARTS))
@pytest.mark.parametrize("kind", FORMATS, ids=lambda kind: kind.name.replace(" ", "-"))
def test_nothing_breaks(kind, part):
    count = kind.full // PARTS
    with closing(kind()) as format:
        report = fuzz(format, count, seed=100 + part)
    assert report.found == {}
    assert report.inputs == count
