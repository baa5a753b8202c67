"""Making do without what is not there, part by part."""

import os
import sys
import threading
from dataclasses import dataclass
from types import SimpleNamespace

import pytest

from pedal.events import Press
from pedal.hardware.clock import RealClock
from pedal.hardware.desk import TerminalLamps
from pedal.hardware.errors import SwitchError, TerminalError
from pedal.hardware.lamp_gpio import LampPins
from pedal.hardware.port import PortBackend
from pedal.hardware.registry import PORTS
from pedal.hardware.switch_evdev import UsbSwitch
from pedal.hardware.switch_gpio import GpioSwitches, SwitchPin
from pedal.hardware.switch_midi import MidiSwitch, SwitchMessage
from pedal.library.settings import Config, LampSettings, SynthSettings, load_config
from pedal.service.rig import Rig
from tests.support.fake_evdev import FakeEvdev
from tests.support.recording import Collector, RecordingPort
from tests.support.servers import needs_rtmidi


@pytest.fixture
def make_rig(monkeypatch):
    """Makes rigs on a box with mock pins and no MIDI, and lists of what they say of the rest."""
    monkeypatch.setenv("JACK_DEFAULT_SERVER", "pedal-nobody")
    rigs = []

    def make(**settings):
        said = []
        config = Config(gpio="mock", synth=SynthSettings(api="jack"), **settings)
        rig = Rig(config, RealClock(), lambda line: "no MIDI" in line or said.append(line))
        rigs.append(rig)
        return rig, said

    yield make
    for rig in rigs:
        rig.close()


def press(rig, pin):
    rig._box.pins().factory.pin(pin).drive_low()


def test_a_switch_and_lamps(make_rig):
    rig, said = make_rig(switches={"main": SwitchPin(17)}, lamps=LampSettings(LampPins({"I": 5})))
    told = Collector()
    rig.open(told, desk=False)
    press(rig, 17)
    assert [event.switch for event in told.wait_for(1)] == ["main"]
    rig.light("I", True)
    assert rig._box.pins().factory.pin(5).state
    assert said == [] and rig.describe() == "synth: none; GPIO by mock"


def test_a_bad_lamp_does_not_take_the_switch_along(make_rig):
    rig, said = make_rig(switches={"main": SwitchPin(17)}, lamps=LampSettings(LampPins({"I": 99})))
    told = Collector()
    rig.open(told, desk=False)
    press(rig, 17)
    assert len(told.wait_for(1)) == 1
    assert len(said) == 1 and said[0].startswith('no lamps: lamp "I", pin 99: ')


def test_a_bad_switch_does_not_take_the_lamps_along(make_rig, monkeypatch):
    monkeypatch.setattr("sys.stdin", None)
    rig, said = make_rig(switches={"main": SwitchPin(99)}, lamps=LampSettings(LampPins({"I": 5})))
    rig.open(Collector(), desk=False)
    rig.light("I", True)
    assert rig._box.pins().factory.pin(5).state
    assert [line.split(":")[0] for line in said] == ["no foot switch", "no foot switch"]
    assert said[1] == "no foot switch: there are neither pins nor a terminal"


def test_a_desk_without_a_terminal(make_rig, monkeypatch):
    monkeypatch.setattr("sys.stdin", None)
    rig, _ = make_rig()
    for attempt in (rig.check_desk, lambda: rig.open(Collector(), desk=True)):
        with pytest.raises(TerminalError, match=r"^standard input is not a terminal"):
            attempt()


def test_a_port_that_is_gone_is_closed_without_waiting(make_rig):
    """With JACK closing takes 80 ms, and the loop has notes to send."""
    may_close, closed = threading.Event(), threading.Event()

    class SlowPort(RecordingPort):
        def close(self):
            may_close.wait(5)
            closed.set()

    rig, _ = make_rig()
    rig.port = SlowPort()
    assert rig.port_changed(False) is False
    assert not closed.is_set() and rig.port.name == "silent"
    may_close.set()
    assert closed.wait(5)


def test_a_usb_pedal_as_the_main_switch_needs_neither_pins_nor_a_terminal(make_rig, monkeypatch, tmp_path):
    fake = FakeEvdev(tmp_path)
    monkeypatch.setitem(sys.modules, "evdev", fake)
    monkeypatch.setattr("sys.stdin", None)
    pedal = fake.plug("Foot Pedal", "KEY_B")
    rig, said = make_rig(switches={"main": UsbSwitch("pedal", "b")})
    told = Collector()
    rig.load(desk=False)
    rig.open(told, desk=False)
    pedal.press("KEY_B")
    assert [event.switch for event in told.wait_for(1)] == ["main"]
    assert (said, rig.describe()) == ([], "synth: none; no GPIO; foot on USB 'pedal'")


@needs_rtmidi
def test_a_foot_controller_that_cannot_be_leaves_the_pins(make_rig):
    rig, _ = make_rig(
        switches={"main": SwitchPin(17), "second": MidiSwitch("board", SwitchMessage("note", 36))},
        lamps=LampSettings(),
    )
    told = Collector()
    rig.open(told, desk=False)
    press(rig, 17)
    assert [event.switch for event in told.wait_for(1)] == ["main"]
    assert "degraded: no MIDI 'board' foot switch: no JACK server is running" in rig._faults.details


def test_pins_that_cannot_be_watched_leave_the_lamps(make_rig, monkeypatch):
    def fail(source, put):
        raise SwitchError('switch "main", pin 17: Failed to add edge detection')

    monkeypatch.setattr(GpioSwitches, "start", fail)
    monkeypatch.setattr("sys.stdin", None)
    rig, said = make_rig(switches={"main": SwitchPin(17)}, lamps=LampSettings(LampPins({"I": 5})))
    rig.open(Collector(), desk=False)
    rig.light("I", True)
    assert rig._box.pins().factory.pin(5).state
    assert said[0] == 'no foot switch: switch "main", pin 17: Failed to add edge detection'


def test_a_way_to_a_synth_is_found_by_its_name_and_reads_its_own_keys(monkeypatch, tmp_path):
    @dataclass(frozen=True)
    class AtticPorts(PortBackend):
        key: str

        @classmethod
        def read(cls, keys):
            key = keys.text("key", needed=True)
            return key and cls(key)

        def open(self, pattern, client_name="pedal"):
            return RecordingPort(f"{pattern} behind {self.key}")

        def listing(self, client_name="pedal-list"):
            return SimpleNamespace(names=lambda: [f"box behind {self.key}"], close=lambda: None)

    monkeypatch.setitem(sys.modules, "pedal.hardware.port_attic", SimpleNamespace(AtticPorts=AtticPorts))
    monkeypatch.setitem(PORTS, "attic", "port_attic:AtticPorts")
    file = tmp_path / "pedal.toml"
    file.write_text('[gpio]\nfactory = "mock"\n[synth]\napi = "attic"\nport = "box"\nkey = "a door"\n')
    said = []
    rig = Rig(load_config(file), RealClock(), said.append)
    try:
        rig.start_children()
        rig.load(desk=False)
        rig.open(Collector(), desk=False)
        assert (said, rig.describe()) == ([], "synth: box behind a door; GPIO by mock")
        rig.port.send(b"\xf8")
        assert rig.port.sent == [b"\xf8"]
    finally:
        rig.close()


def test_lamps_of_the_desk_are_drawn_once(make_rig, monkeypatch):
    """The settings may want them without a desk; at one there are not two lines."""
    person, program = os.openpty()
    with os.fdopen(program, "r+b", buffering=0) as terminal:
        monkeypatch.setattr("sys.stdin", terminal)
        rig, _ = make_rig(lamps=LampSettings(TerminalLamps()))
        rig.open(Collector(), desk=True)
        assert rig._boards == [rig._desk_lamps]
        rig.close()
    os.close(person)
    rig, _ = make_rig(lamps=LampSettings(TerminalLamps()))
    rig.open(Collector(), desk=False)
    assert len(rig._boards) == 1 and rig.describe() == "synth: none; GPIO by mock"


def test_edges_that_were_missed(make_rig):
    rig, _ = make_rig(switches={"main": SwitchPin(17)})
    assert rig.missed(5) == []
    rig.open(Collector(), desk=False)
    rig._box.pins().factory.pin(17)._state = False  # pressed, and the library has not noticed
    assert rig.missed(5) == [Press(5, "main")]
    assert rig.missed(6) == []
