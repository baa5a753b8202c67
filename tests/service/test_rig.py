"""Making do without what is not there, part by part."""

import sys
import threading

import pytest

from pedal.events import Press
from pedal.hardware.clock import RealClock
from pedal.hardware.errors import RigError
from pedal.library.settings import Config, LampSettings, Switch, SynthSettings
from pedal.library.settings_switches import MidiSwitch, UsbSwitch
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
    rig._pins.factory.pin(pin).drive_low()


def test_a_switch_and_lamps(make_rig):
    rig, said = make_rig(switches={"main": Switch(17)}, lamps=LampSettings({"I": 5}))
    told = Collector()
    rig.open(told, desk=False)
    press(rig, 17)
    assert [event.switch for event in told.wait_for(1)] == ["main"]
    rig.light("I", True)
    assert rig._pins.factory.pin(5).state
    assert said == [] and rig.describe() == "synth: none; GPIO by mock"


def test_a_bad_lamp_does_not_take_the_switch_along(make_rig):
    rig, said = make_rig(switches={"main": Switch(17)}, lamps=LampSettings({"I": 99}))
    told = Collector()
    rig.open(told, desk=False)
    press(rig, 17)
    assert len(told.wait_for(1)) == 1
    assert len(said) == 1 and said[0].startswith('no lamps: lamp "I", pin 99: ')


def test_a_bad_switch_does_not_take_the_lamps_along(make_rig, monkeypatch):
    monkeypatch.setattr("sys.stdin", None)
    rig, said = make_rig(switches={"main": Switch(99)}, lamps=LampSettings({"I": 5}))
    rig.open(Collector(), desk=False)
    rig.light("I", True)
    assert rig._pins.factory.pin(5).state
    assert [line.split(":")[0] for line in said] == ["no foot switch", "no foot switch"]
    assert said[1] == "no foot switch: there are neither pins nor a terminal"


def test_a_desk_without_a_terminal(make_rig, monkeypatch):
    monkeypatch.setattr("sys.stdin", None)
    rig, _ = make_rig()
    for attempt in (rig.check_desk, lambda: rig.open(Collector(), desk=True)):
        with pytest.raises(RigError, match=r"^standard input is not a terminal"):
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
        switches={"main": Switch(17), "second": MidiSwitch("board", "note", 36)}, lamps=LampSettings()
    )
    told = Collector()
    rig.open(told, desk=False)
    press(rig, 17)
    assert [event.switch for event in told.wait_for(1)] == ["main"]
    assert "degraded: no MIDI 'board' foot switch: no JACK server is running" in rig._faults.details


def test_edges_that_were_missed(make_rig):
    rig, _ = make_rig(switches={"main": Switch(17)})
    assert rig.missed(5) == []
    rig.open(Collector(), desk=False)
    rig._pins.factory.pin(17)._state = False  # pressed, and the library has not noticed
    assert rig.missed(5) == [Press(5, "main")]
    assert rig.missed(6) == []
