"""`pedal silence`: end all notes on the synth's port."""

import argparse
import sys

from ..hardware.silence import end_everything
from ..service.recovery import recover_config
from .exit_status import OK, PARTIAL


def do_silence(arguments: argparse.Namespace) -> int:
    """The service calls this when it has ended, and settings with mistakes in them are no excuse."""
    config, problems = recover_config(arguments.config)
    for problem in problems:
        print(problem, file=sys.stderr)
    synth, backend = config.synth, config.synth.backend
    names = [synth.port] if synth.port else backend.names()
    for name in names:
        port = backend.open(name, "pedal-silence")
        end_everything(port)
        print(f"silence on {port.name}")
        port.close()
    return PARTIAL if problems else OK
