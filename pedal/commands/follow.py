"""`pedal follow`: a second box, with lamps and no synth."""

import argparse

from ..service import lamp_box
from .exit_status import OK, PARTIAL
from .options import load


def do_follow(arguments: argparse.Namespace) -> int:
    """Follow a leader until told to quit. Raises RigError if there is no MIDI system, or BadFile."""
    return OK if lamp_box.run(load(arguments), arguments.port, arguments.trace) else PARTIAL
