"""`pedal check`: every mistake in sequences and settings."""

import argparse
from pathlib import Path

from ..errors import BadValue
from ..library.library import Library, check_files
from ..library.plans import plan_for
from ..library.settings import Config, check_config, load_config
from ..library.settings_leds import warnings
from ..library.toml_check import Problem, Unknown
from .exit_status import FAILED, OK


def do_check(arguments: argparse.Namespace) -> int:
    """Print every problem, a line each. FAILED if there are any."""
    settings = [file for file in arguments.files if file.name == "pedal.toml"]
    sequences = [file for file in arguments.files if file not in settings]
    if arguments.config:
        settings.append(arguments.config)
    problems = [problem for file in settings for problem in check_config(file)]
    for file in () if problems else settings:
        problems += _check_names(file)
    # The player's own sequences, unless the settings that name them are wrong themselves.
    own = load_config(arguments.config).sequences if arguments.config and not problems else None
    if sequences or not arguments.files:
        problems += check_files(sequences or None, own)
    for problem in problems:
        print(problem)
    if not problems:
        for file in settings:
            for warning in _currents(load_config(file)):
                print(f"{file}: warning: {warning}")
        print("no mistakes found")
    return FAILED if problems else OK


def _currents(config: Config) -> list[str]:
    return warnings(config.lamps.leds, config.lamps.pins, config.board)


def _check_names(file: Path) -> list[Problem]:
    """The tune, set and routine that settings name, if there are no such things; a key that does not fit."""
    config = load_config(file)
    library = Library(config.sequences)
    found: list[Problem] = []
    for kind in ("tune", "set", "routine"):
        name = getattr(config, kind)
        try:
            if name:
                getattr(library, kind)(name)
        except Unknown as unknown:
            found.append(Problem(str(file), kind, repr(name), str(unknown), ""))
    if config.key and not (found or config.set or config.routine):
        try:
            plan_for(library, config.tune, config.key)
        except BadValue as reason:
            found.append(Problem(str(file), "key", repr(config.key), str(reason), ""))
    return found
