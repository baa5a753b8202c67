"""`pedal list`, `show`, `foot` and `ports`: what there is, printed."""

import argparse

from ..export.chart import text_chart
from ..export.tab import text_tab
from ..export.transitions_text import text_transitions
from ..hardware.errors import SwitchError
from ..hardware.port_rtmidi import list_ports
from ..hardware.switch_evdev import list_pedals
from ..library.library import KINDS, Library
from ..session.foot_map import text_map
from .exit_status import OK
from .options import load, plan_of


def do_list(arguments: argparse.Namespace) -> int:
    """Print the names of all kinds of sequences, with their titles. Raises UserError."""
    library = Library(load(arguments).sequences)
    for kind in KINDS:
        print(f"{kind}s:")
        for name in library.names(kind):
            print(f"  {name:<28} {getattr(library, kind)(name).title}")
    return OK


def do_show(arguments: argparse.Namespace) -> int:
    """Print a tune's chart, and its tab and transitions if they are wanted. Raises UserError."""
    plan = plan_of(load(arguments))
    print(text_chart(plan))
    if arguments.tab:
        print("\n" + text_tab(plan))
    if arguments.transitions:
        print("\n" + text_transitions(plan))
    return OK


def do_foot(arguments: argparse.Namespace) -> int:
    """Print what each gesture means in each state. Raises BadFile."""
    print(text_map(load(arguments).foot))
    return OK


def do_ports(arguments: argparse.Namespace) -> int:
    """Print the MIDI outputs and inputs, and USB pedals if evdev is there. Raises RigError or BadFile."""
    synth = load(arguments).synth.backend
    found = [synth.names(), list_ports(synth.midi_api, inputs=True)]
    titles = ["outputs (a synth)", "inputs (a foot controller)"]
    if pedals := _usb_pedals():
        titles, found = [*titles, "USB devices with keys (a pedal)"], [*found, pedals]
    for title, names in zip(titles, found, strict=True):
        print(f"{title}:")
        for name in names or ["none"]:
            print(f"  {name}")
    return OK


def _usb_pedals() -> list[str]:
    try:
        return list_pedals()
    except SwitchError:  # the package evdev is not installed
        return []
