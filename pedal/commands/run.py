"""`pedal run`: play, led by the foot."""

import argparse
import sys
from typing import Any

from ..library.settings import Config, load_config
from ..service import daemon
from ..service.last_state import resume, written
from ..service.paths import state_file, state_folder
from ..service.recovery import attended, recover
from .exit_status import OK, PARTIAL
from .options import wished_for


def do_run(arguments: argparse.Namespace) -> int:
    """Play until the end is asked for. PARTIAL if the trace is not whole. Raises UserError."""
    before: list[list[Any]] = []  # what the settings say, and what is wrong with what is remembered

    def wished(config: Config) -> Config:
        before[:] = [written(config)]
        if not (arguments.tune or arguments.set or arguments.routine):
            config, why_not = resume(config, state_file())
            if why_not:
                print(f"pedal: {why_not}", file=sys.stderr)
        return wished_for(arguments, config)

    if attended() or arguments.desk:
        config, found = wished(load_config(arguments.config)), None
    else:  # nobody is there to read a message: play what can be played
        found = recover(arguments.config, wished, state_folder())
        config = found.config
    whole = daemon.run(config, arguments.desk, arguments.trace, found, *before)
    return OK if whole else PARTIAL
