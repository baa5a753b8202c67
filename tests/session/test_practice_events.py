"""What the practice log is told of choruses, whichever way they end."""

import pytest

from pedal.events import ChorusDone
from tests.support.band import MS, Run, S, tap


@pytest.mark.parametrize("late", [-900, -5, 30, 140], ids=lambda ms: f"{ms}ms")
def test_a_chorus_that_a_cue_ends_is_noted_once(late):
    """In a vamp of eight bars: cued before the line of the wrap, just before it, and just after it."""
    plan = ("kettle-before-six", None, 100)
    first = Run([], S, plan, mode="vamp", step="phrase").plan
    starts = first.steps["phrase"]
    inputs = tap(0)
    for bar in starts[1:]:  # on through the phrases, and then wait at the end of the last one
        inputs += tap(Run(inputs, 60 * S, plan, mode="vamp", step="phrase").when(1, bar - 1, 2))
    run = Run(inputs, 60 * S, plan, mode="vamp", step="phrase")
    line = run.when(1, len(first.layout), first.feel.beats) + 60 * 10**12 // first.mbpm
    run = Run([*inputs, *tap(line + late * MS)], line + 20 * S, plan, mode="vamp", step="phrase")
    assert (2, 1, 1) in [beat[:3] for beat in run.beats()]
    assert [mark.chorus for mark in run.results(ChorusDone)] == [1]
