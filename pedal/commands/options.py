"""What the command line wants, joined with the settings."""

import argparse
from dataclasses import replace
from typing import Any

from ..errors import BadValue
from ..library.action_values import read_key
from ..library.form_files import MOST_CHORUSES
from ..library.library import Library
from ..library.new_session import first_entry
from ..library.plans import plan_for
from ..library.settings import Config, load_config
from ..music.plan import Plan
from ..music.timeline import FASTEST, SLOWEST

_USUAL_CHORUSES = 3  # of a tune that goes on until the foot says "last time"


def load(arguments: argparse.Namespace) -> Config:
    """The settings of `--config` (or the usual ones), but for what the command line wants otherwise.

    Raises BadFile for the settings, and what `wished_for` raises.
    """
    return wished_for(arguments, load_config(getattr(arguments, "config", None)))


def wished_for(arguments: argparse.Namespace, config: Config) -> Config:
    """These settings, but for what the command line wants otherwise.

    Raises BadValue for a wish that cannot be met, Unknown or BadFile for a set or routine.
    """
    if getattr(arguments, "set", None) or getattr(arguments, "routine", None):
        if getattr(arguments, "tune", None):
            raise BadValue("a tune, or a set or routine that says what is played: not both")
        config = replace(config, set=arguments.set, routine=arguments.routine)
    if getattr(arguments, "tune", None):
        config = replace(config, tune=arguments.tune, set=None, routine=None)
    elif config.set or config.routine:
        config = first_entry(config)
    wishes: dict[str, Any] = {name: getattr(arguments, name, None) for name in ("mode", "seed", "strict")}
    wishes = {name: value for name, value in wishes.items() if value is not None}
    config = replace(config, play=replace(config.play, **wishes))
    if getattr(arguments, "key", None):
        config = replace(config, key=str(read_key(arguments.key)))
    if getattr(arguments, "tempo", None) is not None:
        if not SLOWEST <= arguments.tempo <= FASTEST:
            raise BadValue(f"--tempo {arguments.tempo:g}: must be {SLOWEST} to {FASTEST} beats a minute")
        config = replace(config, tempo=arguments.tempo)
    return config


def plan_of(config: Config) -> Plan:
    """What there is to play. Raises Unknown, BadFile or BadValue."""
    return plan_for(Library(config.sequences), config.tune, config.key, config.tempo, config.bass)


def choruses_of(wished: int | None, own: int) -> int:
    """How many choruses to write: as `--choruses` has it, else the tune's `own`, else three.

    BadValue for a wish that is out of range.
    """
    count = wished if wished is not None else own or _USUAL_CHORUSES
    if not 1 <= count <= MOST_CHORUSES:
        raise BadValue(f"--choruses {count}: must be 1 to {MOST_CHORUSES}")
    return count
