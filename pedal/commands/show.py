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
    """Every form, feel, tune … there is, by kind. BadFile if one cannot be read."""
    library = Library(load(arguments).sequences)
    for kind in KINDS:
        print(f"{kind}s:")
        for name in library.names(kind):
            print(f"  {name:<28} {getattr(library, kind)(name).title}")
    return OK


def do_show(arguments: argparse.Namespace) -> int:
    """The chart of a tune, with tab and changes if wanted. Unknown and BadFile as the library raises them."""
    plan = plan_of(load(arguments))
    print(text_chart(plan))
    if arguments.tab:
        print("\n" + text_tab(plan))
    if arguments.transitions:
        print("\n" + text_transitions(plan))
    return OK


def do_foot(arguments: argparse.Namespace) -> int:
    """What each switch does."""
    print(text_map(load(arguments).foot))
    return OK


def do_ports(arguments: argparse.Namespace) -> int:
    """What there is to play on and to be led by."""
    api = load(arguments).synth.api
    found = [list_ports(api), list_ports(api, inputs=True)]
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
