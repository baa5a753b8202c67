"""The shape of the core: how far one press runs through it, who knows whom, how an action is added."""

import gc
import json
import shutil
import subprocess
import sys
from pathlib import Path

import pytest

import pedal
from pedal.events import NS_PER_S
from pedal.library.library import sequences_dir
from pedal.session.action_table import ACTIONS, NOTHING, ON_FEET, TABLE
from pedal.session.foot_map import PRESETS
from pedal.session.next_beat import diagram
from pedal.session.session import Session
from pedal.session.settings import SessionSettings
from tests.support.band import plan, tap
from tests.support.cue_path import files_of_a_cue

S = NS_PER_S


def test_a_cue_is_decided_in_few_files():
    deciding, _ = files_of_a_cue()
    assert len([file for file in deciding if file.startswith("session/")]) <= 10
    assert deciding.total() < 60  # changes of file


@pytest.mark.parametrize("mode", ["through", "vamp", "drill"])
def test_nobody_holds_the_session(mode):
    """All that can be reached from its parts is looked through."""
    settings = SessionSettings(mode=mode, clock_out=True, follow_out=True)
    session = Session(plan(), settings)
    for event in tap(0):
        session.handle(event)
    session.take(17 * S)
    seen: set[int] = set()
    left = [value for value in vars(session).values()]
    while left:
        thing = left.pop()
        assert thing is not session
        if (
            id(thing) in seen
            or isinstance(thing, type)
            or (type(thing).__module__ == "builtins" and callable(thing))
        ):
            continue
        seen.add(id(thing))
        left += gc.get_referents(thing) if not hasattr(thing, "__globals__") else []
    assert len(seen) > 1000


def test_an_action_is_a_row_and_its_function(tmp_path):
    """A contributor's: a foot that claps. In a copy of the package one function and one row are new."""
    package = tmp_path / "pedal"
    shutil.copytree(Path(pedal.__file__).parent, package, ignore=shutil.ignore_patterns("__pycache__"))
    if not (package / "sequences").is_dir():
        (tmp_path / "sequences").symlink_to(sequences_dir())
    with (package / "session" / "actions.py").open("a") as file:
        file.write(
            "\n\ndef clap(state: State, at: int, _: Value = None) -> Outcome:\n    return Move(state)\n"
        )
    table = package / "session" / "action_table.py"
    row = '    Action("clap", "clap once", actions.clap),\n    Action(NOTHING,'
    table.write_text(table.read_text().replace("    Action(NOTHING,", row))
    (tmp_path / "pedal.toml").write_text('tune = "wet-boots"\n[foot.stopped.main]\ndouble = "clap"\n')

    def run(*arguments):
        return subprocess.run(
            [
                sys.executable,
                "-S",
                "-c",
                f"import sys; sys.path[:0] = {[str(tmp_path), *sys.path]!r}; "
                "from pedal.cli import main; sys.exit(main(sys.argv[1:]))",
                *arguments,
            ],
            cwd=tmp_path,
            capture_output=True,
            text=True,
            check=True,
        ).stdout

    assert "double  clap            clap once" in run("foot", "--config", "pedal.toml")
    foot = "double@1,clap@3"
    run("simulate", "--config", "pedal.toml", "--foot", foot, "--seconds", "5", "--trace", "trace.jsonl")
    lines = [json.loads(line) for line in (tmp_path / "trace.jsonl").read_text().splitlines()]
    assert [line["action"] for line in lines if line["type"] == "gesture"][-1] == "clap"
    assert next(line for line in lines if line["type"] == "command").items() >= {"name": "clap"}.items()


def test_the_table_says_it_once():
    assert len(ACTIONS) == len(TABLE)
    assert {action for preset in PRESETS.values() for action in preset.values()} <= set(ON_FEET)
    for action in TABLE:
        assert action.words and (action.by_foot or action.takes), action.name
        assert action.name == NOTHING or not action.words.endswith(".")


def test_the_diagram_of_the_rules_is_not_stale():
    """Stale? Put what `pedal.session.next_beat.diagram()` returns into DEVELOPERS.md."""
    text = (Path(__file__).parents[2] / "DEVELOPERS.md").read_text(encoding="utf-8")
    drawn = text.split("```mermaid\n")[1].split("\n```")[0]
    assert drawn == diagram()
