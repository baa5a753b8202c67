"""The minutes of `.ci/run`, with stages that only say how long they took."""

import subprocess
from pathlib import Path

STAGES = Path(__file__).with_name("stages.sh")


def run(*lines: str) -> tuple[int, list[str]]:
    """Exit status and output of a script that has stages; `takes S` is one of S seconds."""
    script = ["set -euo pipefail", f"source '{STAGES}'", "takes() { SECONDS=$((SECONDS + $1)); }", *lines]
    done = subprocess.run(["bash", "-c", "\n".join(script)], capture_output=True, text=True)
    assert done.stderr == ""
    return done.returncode, done.stdout.splitlines()


def test_each_stage_has_its_minutes_beside_its_budget():
    code, said = run("stage install - takes 90", "stage suite 8 takes 480", "stages_end 60")
    assert code == 0
    assert [line.split() for line in said] == [
        ["install", "1.5", "min"],
        ["suite", "8.0", "min", "of", "8"],
        ["together", "9.5", "min", "of", "60"],
    ]


def test_over_its_budget_is_said_and_does_not_fail():
    code, said = run("stage suite 8 takes 500", "stages_end 60")
    assert code == 0 and said[1] == "over budget: suite took 8.3 minutes, not 8"


def test_over_an_hour_together_is_a_failure():
    code, said = run("stage a - takes 1800", "stage b 40 takes 1806", "stages_end 60")
    assert code == 1 and said[-1] == "over budget: all of it took 60.1 minutes, not 60"


def test_a_stage_that_fails_ends_the_run_and_has_its_minutes_too():
    trap = "trap 'stages_end 60' EXIT"
    code, said = run(trap, "breaks() { takes 60; return 7; }", "stage suite 8 breaks", "echo on")
    assert code == 7 and said[0].split() == ["suite", "1.0", "min", "of", "8,", "failed", "(7)"]
    assert "on" not in said


def test_what_a_stage_says_passes_through():
    assert run("stage a - echo hello", "stages_end 60")[1][0] == "hello"
