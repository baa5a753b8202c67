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
"""

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import Any

from .library import NAME
from .toml_check import Table, Wrong, a_table, one_of, text, whole

PIN = whole(0, 27)  # the GPIOs on the 40-pin header, in the chip maker's (BCM) counting
SOURCES = ("gpio", "midi", "usb")
KINDS = ("controller", "note", "program")
_DATA = whole(0, 127)


@dataclass(frozen=True, slots=True)
class Switch:
    """A switch on a GPIO: its pin, and whether it is `open` or `closed` at rest, or `latching`."""

    pin: int
    wiring: str = "open"


@dataclass(frozen=True, slots=True)
class MidiSwitch:
    """A switch of a foot controller: part of its port's name, and the message it sends.

    `channel` counts from 1, None is any; `latching`: a controller stays on until the next press.
    """

    port: str
    kind: str
    number: int
    channel: int | None = None
    latching: bool = False


@dataclass(frozen=True, slots=True)
class UsbSwitch:
    """A switch of a USB pedal: part of the pedal's name, and the key that it types."""

    device: str
    key: str


AnySwitch = Switch | MidiSwitch | UsbSwitch
MAIN = Switch(17)


def on_pins(switches: Mapping[str, AnySwitch]) -> dict[str, Switch]:
    """Those that sit on a GPIO."""
    return {name: switch for name, switch in switches.items() if isinstance(switch, Switch)}


def read_switches(table: Table) -> Mapping[str, AnySwitch]:
    """All switches; there is always one called `main`."""
    switches: dict[str, AnySwitch] = {"main": MAIN}
    for name in table.values:
        there = switches
        if not NAME.fullmatch(name):
            table.wrong(name, "the name of a switch is small letters, digits and hyphens")
            there = {}  # its own mistakes are told, but it takes no pin from another
        if table.get(name, a_table) is None:
            continue
        one = table.table(name)
        source = one.get("source", one_of(*SOURCES), "gpio")
        if source is None:
            continue
        if source == "midi":
            there[name] = _midi(one)
        elif source == "usb":
            there[name] = UsbSwitch(one.get("device", text), one.get("key", _key))
        else:
            pin = one.get("pin", PIN, MAIN.pin) if name == "main" else one.get("pin", PIN)
            wiring = one.get("wiring", one_of("open", "closed", "latching"), "open")
            there[name] = Switch(pin, wiring)
        one.close()
    _check_twins(table, switches)
    return switches


def _midi(one: Table) -> MidiSwitch:
    port, channel = one.get("port", text), one.get("channel", whole(1, 16), None)
    numbers = {kind: one.get(kind, _DATA, None) for kind in KINDS}
    given = [kind for kind in KINDS if kind in one]
    if len(given) != 1:
        rule = "must be the only one of" if given else "is missing: one of"
        one.wrong(given[-1] if given else "controller", f"{rule} controller, note, program")
    kind = given[0] if given else "controller"
    wiring = one.get("wiring", one_of("open", "latching"), "open")
    if wiring == "latching" and kind != "controller":
        one.wrong("wiring", "only a controller can be latching")
    return MidiSwitch(port, kind, numbers[kind], channel, wiring == "latching")


def _key(value: Any) -> str:
    """The name of a key: `b`, `KEY_B`, `BTN_LEFT`."""
    if not text(value).replace("_", "").isalnum() or not value.isascii():
        raise Wrong("must be the name of a key, like b, KEY_PAGEDOWN or BTN_LEFT")
    return value


def _check_twins(table: Table, switches: Mapping[str, AnySwitch]) -> None:
    """Two switches that cannot be told apart."""
    first: dict[tuple, str] = {}
    for name, switch in switches.items():
        for twin in _signs(switch):
            if twin in first and first[twin] != name:
                table.wrong(name, f"sends the same as switches.{first[twin]}", value=twin[-1])
                break
            first[twin] = name


def _signs(switch: AnySwitch) -> Iterator[tuple]:
    if isinstance(switch, MidiSwitch) and switch.port:
        channels = range(1, 17) if switch.channel is None else (switch.channel,)
        for channel in channels:
            yield ("midi", switch.port.casefold(), channel, switch.kind, switch.number)
    elif isinstance(switch, UsbSwitch) and switch.device and switch.key:
        yield ("usb", switch.device.casefold(), switch.key.upper().removeprefix("KEY_"))
