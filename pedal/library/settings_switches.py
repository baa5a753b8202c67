"""`[switches.NAME]`: where each foot switch sits.

[switches.main]
pin = 17                    # GPIO, the usual source
[switches.second]
source = "midi"
port = "foot"               # part of the input's name (pedal ports)
controller = 64             # or note = 36, or program = 5
[switches.third]
source = "usb"
device = "footswitch"       # part of the pedal's name
key = "b"                   # what it types

The keys beside `source` are the backend's own (`hardware/registry.py`).
"""

from collections.abc import Mapping
from typing import NamedTuple

from ..hardware.registry import SWITCHES, switch_backend
from ..hardware.switch import SwitchBackend
from ..hardware.switch_gpio import MAIN_PIN, SwitchPin
from .library import NAME
from .own_keys import OwnKeys
from .toml_check import Table, a_table, one_of

USUAL: Mapping[str, SwitchBackend] = {"main": SwitchPin(MAIN_PIN)}
"""What there is where nothing is said."""


class ReadSwitches(NamedTuple):
    """The switches without mistakes, and the names of all that are meant, among them always `main`."""

    switches: dict[str, SwitchBackend]
    names: tuple[str, ...]


def read_switches(table: Table) -> ReadSwitches:
    """All switches. The mistakes of one that has a bad name are told, but it takes no pin from another."""
    switches, names = dict(USUAL), list(USUAL)
    for name in table.values:
        good_name = NAME.fullmatch(name) is not None
        if not good_name:
            table.wrong(name, "the name of a switch is small letters, digits and hyphens")
        if table.get(name, a_table) is None:
            continue
        one = table.table(name)
        source = one.get("source", one_of(*SWITCHES), "gpio")
        if source is None:
            continue
        switch = switch_backend(source).read(OwnKeys(one), name)
        one.close()
        if good_name:
            switches.pop(name, None)
            names += [] if name in names else [name]
            if switch is not None:
                switches[name] = switch
    _check_twins(table, switches)
    return ReadSwitches(switches, tuple(names))


def _check_twins(table: Table, switches: Mapping[str, SwitchBackend]) -> None:
    """Two switches that cannot be told apart."""
    first: dict[str, str] = {}
    for name, switch in switches.items():
        for sent, told in switch.sends().items():
            if first.setdefault(sent, name) != name:
                table.wrong(name, f"sends the same as switches.{first[sent]}", value=told)
                break
