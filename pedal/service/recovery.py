"""Playing in spite of mistakes in files: for a box that nobody is looking at.

Of the settings every value that is right counts; what is wrong is left out, as if it had not been
written. A file that cannot be read at all would leave the box without lamps to say so: then its
wiring (pins, synth) is that of the last file that was right, of which a copy is kept.
A tune that cannot be played is played without key and tempo, else the first shipped one is. What looks like
a bug of ours is survived in the same way, and its traceback goes to the journal.
"""

import contextlib
import os
import traceback
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any, NamedTuple

from ..errors import UserError
from ..library.library import Library
from ..library.plans import plan_for
from ..library.settings import Config, read_config
from ..library.toml_check import Keys, Problem, Problems, Table, read_toml
from ..music.plan import Plan
from .atomic_files import write_whole
from .paths import KEPT_SETTINGS

_SURVIVED = (UserError, ValueError, OSError)


class Recovered(NamedTuple):
    """What can be played, and what was wrong, a line each."""

    config: Config
    plan: Plan
    problems: list[str]


def attended() -> bool:
    """Whether somebody is there to read a message: a service manager has not started us."""
    return not os.environ.get("NOTIFY_SOCKET")


def recover(path: Path | None, wish: Callable[[Config], Config], state: Path | None = None) -> Recovered:
    """Settings and a tune, come what may; `wish` is what the command line wants on top.

    `state` is the folder where a copy of settings that are right is kept.
    """
    config, mistakes = recover_config(path, state)
    problems = [str(problem) for problem in mistakes]
    for one in (config, replace(config, set=None, routine=None)):
        try:
            config = wish(one)
            break
        except _SURVIVED as error:
            problems += _lines(error)
            config = replace(one, set=None, routine=None)
    config, plan, more = recover_plan(config)
    return Recovered(config, plan, problems + more)


def recover_config(path: Path | None, state: Path | None = None) -> tuple[Config, list[Problem]]:
    """The settings without what is wrong in them, and what was wrong.

    A copy of settings that are right is kept in the folder `state`, if it can be.
    """
    if path is None:
        return Config(), []
    problems = Problems()
    table = read_toml(path, str(path), problems)
    if table is None:
        return _wiring_of(state / KEPT_SETTINGS if state else None), problems
    config = _without_mistakes(path, table.values, problems)
    if state and not problems:
        _keep(path, state)
    return config, problems


def recover_plan(config: Config) -> tuple[Config, Plan, list[str]]:
    """A plan that can be played, with the settings that fit it, and why it is not the wanted one."""
    problems: list[str] = []
    plain = replace(config, key=None, tempo=None, set=None, routine=None)
    for one in (config, plain):
        try:
            return one, plan_for(Library(one.sequences), one.tune, one.key, one.tempo, one.bass), problems
        except _SURVIVED as error:
            problems += [line for line in _lines(error) if line not in problems]
    shipped = Library()
    first = replace(plain, tune=shipped.names("tune")[0])
    problems.append(f"playing {first.tune} instead")
    return first, plan_for(shipped, first.tune), problems


def _lines(error: Exception) -> list[str]:
    if not isinstance(error, UserError):
        traceback.print_exception(error)
    return str(error).splitlines()


def _without_mistakes(path: Path, values: dict[str, Any], problems: Problems) -> Config:
    while True:
        found = Problems()
        config = read_config(Table(str(path), values, found), path.parent)
        if not found:
            return config
        problems += [problem for problem in found if problem not in problems]
        wrong = {_to_remove(values, problem.at) for problem in found} - {()}
        if not wrong:
            return Config()
        for *tables, key in sorted(wrong, key=len, reverse=True):  # the inner ones while they are there
            holder: Any = values
            for table in tables:
                holder = holder[table]
            del holder[key]


def _to_remove(values: Any, at: Keys) -> Keys:
    """What to take out for a mistake there: what is missing takes its table along, an item its list."""
    for depth, key in enumerate(at):
        if not isinstance(values, dict) or key not in values:
            return at[:depth]
        values = values[key]
    return at


def _wiring_of(path: Path | None) -> Config:
    if path is None or not path.is_file():
        return Config()
    table = read_toml(path, str(path), Problems())
    kept = _without_mistakes(path, table.values, Problems()) if table else Config()
    return Config(gpio=kept.gpio, switches=kept.switches, lamps=kept.lamps, synth=kept.synth, foot=kept.foot)


def _keep(path: Path, state: Path) -> None:
    with contextlib.suppress(OSError):  # a card that cannot be written is a fault that others find
        content, copy = path.read_bytes(), state / KEPT_SETTINGS
        if not copy.is_file() or copy.read_bytes() != content:
            write_whole(copy, content)
