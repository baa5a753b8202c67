"""The hostile world holds no surprise, and the watch would see one.

Twenty simulated hours where everything is to be tested, three elsewhere; a thousand in tests/release;
`python -m tests.simulation` runs as many as one likes.
"""

import os

import pytest

from pedal.events import NS_PER_S, ClockIn, Command, Press, Release
from pedal.library.foot_script import parse_foot
from pedal.library.library import Library
from pedal.library.new_session import make_session
from pedal.library.plans import plan_for
from pedal.library.settings import load_config
from pedal.session.offline import drive
from tests.support.own import toml

from . import faults
from .episode import check_hours, play, replay, script, shrink
from .form import Broken
from .watch import Watch
from .world import EPISODE_S

ALL = os.environ.get("PEDAL_TESTS") == "all"
FIRST = 20_000  # the seed


@pytest.mark.parametrize("hour", range(0, 20 if ALL else 3, 5 if ALL else 3))
def test_nothing_breaks(hour):
    check_hours(FIRST, hour, 5 if ALL else 3)


def test_an_episode_is_a_function_of_its_seed():
    one, two = play(7), play(7)
    assert (one.inputs, one.counts, one.stage) == (two.inputs, two.counts, two.stage)


@pytest.mark.parametrize("fault", faults.FAULTS, ids=lambda fault: fault.name.replace(" ", "-"))
def test_a_planted_fault_is_found_within_an_hour(fault):
    assert faults.caught(fault) != ""


def test_what_breaks_is_shrunk(monkeypatch, tmp_path):
    """With the deaf window gone, a handful of inputs is left that still shows it."""
    from pedal.session import actions

    go = actions._go

    def go_and_listen(*given):
        move = go(*given)
        return move._replace(state=move.state._replace(deaf=False))

    monkeypatch.setattr(actions, "_go", go_and_listen)
    outcome = next(out for seed in range(1, 40) if "deaf" in (out := play(seed)).broken)
    box, fewer = shrink(outcome.stage, outcome.inputs)
    assert "deaf" in replay(box, fewer)
    assert len(fewer) < len(outcome.inputs) / 4
    # And as settings and a script it breaks in the same way.
    foot, rest = script(fewer)
    settings = tmp_path / "pedal.toml"
    settings.write_text(toml(box.file()), encoding="utf-8")
    config = load_config(settings)
    session = make_session(config, plan_for(Library(), config.tune, config.key, config.tempo))
    watch = Watch(session, config.play.seed)
    with pytest.raises(Broken, match="deaf"):
        watch.check(list(drive(session, parse_foot(foot), EPISODE_S * NS_PER_S)))
    assert (rest, box.entries) == ([], ())


def test_a_script_holds_what_simulate_has_words_for():
    inputs = [
        Press(1, "second"),
        Release(12_345_678_901, "main"),
        Command(3 * NS_PER_S, "tempo", 133.3),
        Command(4 * NS_PER_S, "parts", ["drums", "bass"]),
        Command(5 * NS_PER_S, "parts", []),
        Command(6 * NS_PER_S, "key", "Bb"),
    ]
    strange = [Command(7 * NS_PER_S, "nonsense"), Command(8 * NS_PER_S, "tempo", "fast"), ClockIn(9, b"\xf8")]
    foot, rest = script([*inputs, *strange])
    assert sorted(parse_foot(foot)) == sorted(inputs) and rest == strange
