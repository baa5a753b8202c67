"""Which backends there are: a table a kind, from the word in the settings to the class that it means.

    table      in pedal.toml               a class behind
    PORTS      [synth] api = …             port.PortBackend      ways to a synth
    SWITCHES   [switches.NAME] source = …  switch.SwitchBackend  foot switches
    LAMPS      [lamps] backend = …         lamp.LampBackend      lamp boards

A new backend is a file beside this one and a line here ("file:class"). It is imported when it is asked
for: a desk that has no pins needs no GPIO library, and a box none that it does not use.
"""

from importlib import import_module

from pedal.hardware.lamp import LampBackend
from pedal.hardware.port import PortBackend
from pedal.hardware.switch import SwitchBackend

PORTS = {
    "auto": "port_rtmidi:AutoPorts",
    "alsa": "port_rtmidi:AlsaPorts",
    "jack": "port_rtmidi:JackPorts",
}
SWITCHES = {
    "gpio": "switch_gpio:SwitchPin",
    "midi": "switch_midi:MidiSwitch",
    "usb": "switch_evdev:UsbSwitch",
}
LAMPS = {
    "gpio": "lamp_gpio:LampPins",
    "desk": "desk:TerminalLamps",
}


def port_backend(name: str) -> type[PortBackend]:
    """The ways to a synth called `name` in PORTS. Raises KeyError."""
    found: type[PortBackend] = _find(PORTS[name])
    return found


def switch_backend(name: str) -> type[SwitchBackend]:
    """The switches called `name` in SWITCHES. Raises KeyError."""
    found: type[SwitchBackend] = _find(SWITCHES[name])
    return found


def lamp_backend(name: str) -> type[LampBackend]:
    """The lamp board called `name` in LAMPS. Raises KeyError."""
    found: type[LampBackend] = _find(LAMPS[name])
    return found


def _find(line: str) -> type:
    file, name = line.split(":")
    found: type = getattr(import_module(f"{__package__}.{file}"), name)
    return found
