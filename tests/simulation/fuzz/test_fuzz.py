"""A slice of every format's inputs, and the ones that once broke something.

`python -m tests.simulation.fuzz` feeds a million of each (a hundred thousand of TOML).
"""

from contextlib import closing
from pathlib import Path

import pytest

from .format import Format, need
from .formats import FORMATS
from .run import fuzz, try_one

FOUND = sorted((Path(__file__).parent / "found").iterdir())
BY_NAME = {kind.name.replace(" ", "-"): kind for kind in FORMATS}


@pytest.mark.parametrize("kind", FORMATS, ids=BY_NAME)
def test_nothing_breaks(kind):
    with closing(kind()) as format:
        report = fuzz(format, kind.slice, seed=1)
    assert report.found == {}
    assert report.inputs == kind.slice
    assert report.kinds > 5, "all inputs come to the same end"


@pytest.mark.parametrize("path", FOUND, ids=lambda path: path.name)
def test_what_was_found_is_mended(path):
    with closing(BY_NAME[path.name.rpartition(".")[0]]()) as format:
        assert try_one(format, path.read_bytes()) == ""


@pytest.mark.parametrize("kind", FORMATS, ids=BY_NAME)
def test_seeds_are_right(kind):
    """Else only the outermost checks would be tried."""
    with closing(kind()) as format:
        assert all(try_one(format, seed) == "" for seed in format.seeds())


class _Breaks(Format):
    name = "breaks"

    def seeds(self):
        return [b"aaaaaaaaaaaaaaaaaaaaaaaa"]

    def feed(self, data):
        if b"\x80" in data:
            raise KeyError("an input with 80 in it")
        need(b"\xff" not in data, "no FF")
        while b"\x7f" in data:
            pass
        return len(data)


def test_what_breaks_or_hangs_is_found_and_made_short(monkeypatch):
    monkeypatch.setattr("tests.simulation.fuzz.run.CPU_S", 0.02)
    monkeypatch.setattr("tests.simulation.fuzz.run._TRIES", 60)
    report = fuzz(_Breaks(), 600, seed=1)
    found = {wrong.split()[0]: data for wrong, data in report.found.items()}
    assert found["KeyError"] == b"\x80" and found["no"] == b"\xff" and b"\x7f" in found["hang"]


def test_memory_without_bound_is_found(monkeypatch):
    kept = []

    class Grows(_Breaks):
        def feed(self, data):
            kept.append(bytearray(1 << 16))

    monkeypatch.setattr("tests.simulation.fuzz.run.GROWTH", 8 << 20)
    report = fuzz(Grows(), 5_000, seed=1)
    assert any("MB more" in wrong for wrong in report.found) and report.inputs < 5_000


def test_an_input_is_a_function_of_its_seed():
    def inputs(seed):
        seen = []
        with closing(BY_NAME["saved-state"]()) as format:
            fuzz(format, 50, seed, lambda number, data: seen.append(data))
        return seen

    assert inputs(1) == inputs(1) != inputs(2)
