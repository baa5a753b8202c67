"""What `tests/run` asks for holds in the workers of pytest-xdist, too: tests/conftest.py."""

import os
import re
import subprocess
import sys
from pathlib import Path
from textwrap import dedent

import pytest

ROOT = Path(__file__).parents[2]
SKIPS = """
    import pytest

    @pytest.mark.parametrize("number", range(4))
    def test_runs(number):
        assert number < 4

    @pytest.mark.skipif(True, reason="fluidsynth is not installed")
    def test_could_run():
        pass

    def test_could_run_as_well():
        pytest.skip("some day")

    def test_cannot_be_run_here():
        pytest.skip("no ALSA sequencer here (/dev/snd/seq)")

    @pytest.mark.xfail(reason="known")
    def test_is_known_to_fail():
        assert False
"""


def outcomes(folder: Path, text: str, wanted: str, *arguments: str) -> tuple[int, str, dict[str, int]]:
    """Exit status, what was said, and how many tests passed, failed, were skipped …"""
    (folder / "test_it.py").write_text(dedent(text))
    environ = {name: value for name, value in os.environ.items() if not name.startswith("PYTEST_")}
    done = subprocess.run(
        [sys.executable, "-m", "pytest", "-p", "tests.conftest", "--rootdir", str(folder), *arguments],
        cwd=folder,
        env={**environ, "PYTHONPATH": str(ROOT), "PEDAL_TESTS": wanted},
        capture_output=True,
        text=True,
    )
    last = done.stdout.splitlines()[-1]
    return done.returncode, done.stdout, {what: int(n) for n, what in re.findall(r"(\d+) (\w+)", last)}


@pytest.mark.parametrize("workers", [[], ["-n", "2", "--dist", "loadfile"]], ids=["alone", "two"])
def test_a_test_that_is_skipped_has_failed(tmp_path, workers):
    code, said, counts = outcomes(tmp_path, SKIPS, "all", *workers)
    assert code == 1
    # What skips before it has begun is an error to pytest.
    assert [counts[what] for what in ("failed", "error", "passed", "skipped", "xfailed")] == [1, 1, 4, 1, 1]
    assert "all tests were to run: Skipped: some day" in said
    assert "all tests were to run: Skipped: fluidsynth is not installed" in said


@pytest.mark.parametrize("workers", [[], ["-n", "2"]], ids=["alone", "two"])
def test_elsewhere_it_is_skipped(tmp_path, workers):
    code, _, counts = outcomes(tmp_path, SKIPS, "quick", *workers)
    assert code == 0 and (counts["passed"], counts["skipped"], counts["xfailed"]) == (4, 3, 1)


def test_one_worker_runs_all_that_plays_in_real_time(tmp_path):
    """And a file is one worker's. pytest and xdist have to agree on it: a new version of either may not."""
    text = """
    import os
    import pytest

    @pytest.mark.parametrize("number", range(20))
    def test_it(number):
        with open("workers", "a") as file:
            print(os.environ["PYTEST_XDIST_WORKER"], __file__, file=file)
    """
    folders = ["tests/end_to_end", "tests/bench", "tests/a", "tests/b"]
    for number, name in enumerate(folders):
        (tmp_path / name).mkdir(parents=True)
        (tmp_path / name / f"test_{number}.py").write_text(dedent(text))
    code, _, counts = outcomes(tmp_path, "", "", "-n", "3", "--dist", "loadfile")
    assert code == 0 and counts["passed"] == 80
    ran = [line.split() for line in (tmp_path / "workers").read_text().splitlines()]
    workers = {name: {worker for worker, file in ran if f"/{name}/" in file} for name in folders}
    assert all(len(some) == 1 for some in workers.values())
    assert workers["tests/end_to_end"] == workers["tests/bench"] != workers["tests/a"]
