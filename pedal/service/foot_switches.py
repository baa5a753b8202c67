"""Foot switches that are not on pins: which foot controllers and USB pedals the settings want."""

from collections.abc import Callable, Iterator, Mapping
from typing import NamedTuple

from ..hardware.switch import SwitchSource
from ..library.settings_switches import AnySwitch, MidiSwitch, UsbSwitch


class Pedal(NamedTuple):
    """One thing with switches: what it is, their names, and how to open it (raises RigError)."""

    what: str
    names: tuple[str, ...]
    open: Callable[[], SwitchSource]


def pedals_of(switches: Mapping[str, AnySwitch], api: str) -> Iterator[Pedal]:
    """What has to be opened, in the order of the settings. `api` is the MIDI system."""
    midi: dict[str, dict[str, MidiSwitch]] = {}
    usb: dict[str, dict[str, UsbSwitch]] = {}
    for name, switch in switches.items():
        if isinstance(switch, MidiSwitch):
            midi.setdefault(switch.port.casefold(), {})[name] = switch
        elif isinstance(switch, UsbSwitch):
            usb.setdefault(switch.device.casefold(), {})[name] = switch
    for some in midi.values():
        port = next(iter(some.values())).port
        yield Pedal(f"MIDI {port!r}", tuple(some), lambda port=port, some=some: _open_midi(port, some, api))
    for few in usb.values():
        device = next(iter(few.values())).device
        yield Pedal(f"USB {device!r}", tuple(few), lambda device=device, few=few: _open_usb(device, few))


def load_pedals(switches: Mapping[str, AnySwitch]) -> None:
    """Import ahead of time what opening them will use. What is missing is told then."""
    from ..hardware.errors import SwitchError

    if any(isinstance(switch, UsbSwitch) for switch in switches.values()):
        from ..hardware.switch_evdev import load_evdev

        try:
            load_evdev()
        except SwitchError:
            pass


def _open_midi(port: str, switches: Mapping[str, MidiSwitch], api: str) -> SwitchSource:
    from ..hardware.switch_midi import MidiSwitches, SwitchMessage

    messages = {
        name: SwitchMessage(one.kind, one.number, one.channel, one.latching) for name, one in switches.items()
    }
    return MidiSwitches(port, messages, api)


def _open_usb(device: str, switches: Mapping[str, UsbSwitch]) -> SwitchSource:
    from ..hardware.switch_evdev import EvdevSwitches

    return EvdevSwitches(device, {name: switch.key for name, switch in switches.items()})
