"""`pedal silence`: end all notes on the synth's port."""

import argparse
import sys

from ..hardware.port_rtmidi import list_ports, open_port
from ..hardware.silence import end_everything
from ..service.recovery import recover_config
from .exit_status import OK, PARTIAL


def do_silence(arguments: argparse.Namespace) -> int:
    """The service calls this when it has ended, and settings with mistakes in them are no excuse."""
    config, problems = recover_config(arguments.config)
    for problem in problems:
        print(problem, file=sys.stderr)
    synth = config.synth
    names = [synth.port] if synth.port else list_ports(synth.api)
    for name in names:
        port = open_port(name, synth.api, "pedal-silence")
        end_everything(port)
        print(f"silence on {port.name}")
        port.close()
    return PARTIAL if problems else OK
