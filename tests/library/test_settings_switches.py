"""`[switches.NAME]`: on pins, of foot controllers, of USB pedals."""

import pytest

from pedal.hardware.switch_evdev import UsbSwitch
from pedal.hardware.switch_gpio import SwitchPin
from pedal.hardware.switch_midi import MidiSwitch, SwitchMessage
from pedal.library.settings import load_config
from pedal.library.toml_check import BadFile


def load(folder, text):
    path = folder / "pedal.toml"
    path.write_text(text)
    return load_config(path)


def problems(folder, text):
    with pytest.raises(BadFile) as caught:
        load(folder, text)
    return [str(problem).removeprefix(f"{folder / 'pedal.toml'}: ") for problem in caught.value.problems]


def test_switches_that_are_not_on_pins(tmp_path):
    text = """
    [switches.main]
    source = "midi"
    port = "Foot Board"
    controller = 64
    wiring = "latching"
    [switches.second]
    source = "midi"
    port = "Foot Board"
    channel = 16
    note = 0
    [switches.third]
    source = "midi"
    port = "Foot Board"
    program = 127
    [switches.fourth]
    source = "usb"
    device = "FootSwitch"
    key = "KEY_B"
    [switches.fifth]
    source = "gpio"
    pin = 22
    """
    assert load(tmp_path, text).switches == {
        "main": MidiSwitch("Foot Board", SwitchMessage("controller", 64, None, True)),
        "second": MidiSwitch("Foot Board", SwitchMessage("note", 0, 16)),
        "third": MidiSwitch("Foot Board", SwitchMessage("program", 127)),
        "fourth": UsbSwitch("FootSwitch", "KEY_B"),
        "fifth": SwitchPin(22),
    }


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ('source = "bluetooth"', "switches.x.source = 'bluetooth': must be one of: gpio, midi, usb"),
        ('source = "midi"\ncontroller = 1', "switches.x.port: is missing"),
        ('source = "midi"\nport = "p"', "switches.x.controller: is missing: one of controller, note"),
        (
            'source = "midi"\nport = "p"\nnote = 1\nprogram = 1',
            "switches.x.program = 1: must be the only one of controller, note, program",
        ),
        (
            'source = "midi"\nport = "p"\nnote = 128',
            "switches.x.note = 128: must be a whole number from 0 to 127",
        ),
        (
            'source = "midi"\nport = "p"\nnote = 1\nchannel = 0',
            "switches.x.channel = 0: must be a whole number from 1 to 16",
        ),
        (
            'source = "midi"\nport = "p"\nnote = 1\nwiring = "latching"',
            "switches.x.wiring = 'latching': only a controller can be latching",
        ),
        ('source = "midi"\nport = "p"\nnote = 1\npin = 4', "switches.x.pin: unknown key"),
        ('source = "usb"\nkey = "b"', "switches.x.device: is missing"),
        ('source = "usb"\ndevice = "d"\nkey = "b c"', "switches.x.key = 'b c': must be the name of a key"),
        (
            'source = "usb"\ndevice = "d"\nkey = "b"\n'
            '[switches.y]\nsource = "usb"\ndevice = "D"\nkey = "KEY_B"',
            "switches.y = 'B': sends the same as switches.x",
        ),
        (
            'source = "midi"\nport = "p"\nnote = 1\n'
            '[switches.y]\nsource = "midi"\nport = "P"\nchannel = 3\nnote = 1',
            "switches.y = 1: sends the same as switches.x",
        ),
    ],
)  # fmt: skip
def test_a_mistake_in_a_switch_is_told(tmp_path, text, says):
    (problem,) = problems(tmp_path, f"[switches.x]\n{text}\n")
    assert problem.startswith(says)
