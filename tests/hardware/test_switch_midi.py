"""Foot controllers over MIDI, on real MIDI systems with a sender of our own at the far end."""

import itertools
import time
from functools import partial

import pytest
from hypothesis import given
from hypothesis import strategies as st

from pedal.events import Press, Release, Trouble
from pedal.hardware.switch_midi import MidiSwitches, SwitchMessage, Treadles
from tests.hardware.conformance import SwitchBench, check_switches, until
from tests.support.recording import Collector

_numbers = itertools.count()


class Controller:
    """A foot controller: an output that others can read."""

    def __init__(self, api, name=None):
        import rtmidi

        number = {"alsa": rtmidi.API_LINUX_ALSA, "jack": rtmidi.API_UNIX_JACK}[api]
        self.name = name or f"Test Foot {next(_numbers)}"
        self._client = rtmidi.MidiOut(number, name=self.name)
        self._client.open_virtual_port("out")

    def send(self, *data):
        self._client.send_message(data)

    def unplug(self):
        if not self._client.is_deleted:
            self._client.close_port()
            self._client.delete()


SENDS = {  # the switches of a bench, what presses each and what lets it go
    "sustain": (SwitchMessage("controller", 64), [0xB0, 64, 127], [0xB0, 64, 0]),
    "ours": (SwitchMessage("controller", 80, channel=16), [0xBF, 80, 64], [0xBF, 80, 63]),
    "key": (SwitchMessage("note", 36), [0x92, 36, 1], [0x82, 36, 64]),
    "key-two": (SwitchMessage("note", 38, channel=3), [0x92, 38, 90], [0x92, 38, 0]),
    "program": (SwitchMessage("program", 5), [0xC0, 5], None),
}


@pytest.fixture
def make(midi_api):
    made = []

    def make(switches, controller=None):
        controller = controller or Controller(midi_api)
        source = MidiSwitches(controller.name.upper(), switches, midi_api, period_s=0.02)
        made.extend((source.close, controller.unplug))
        return source, controller

    yield make
    for undo in made:
        undo()


def test_conformance(make):
    def bench():
        source, controller = make({name: message for name, (message, *_) in SENDS.items()})

        def tap(name):
            _, press, release = SENDS[name]
            controller.send(*press)
            if release:
                controller.send(*release)

        return SwitchBench(source, tap, controller.unplug)

    check_switches(bench)


def test_unplugged_while_held_and_back_again(make, midi_api):
    source, controller = make({"main": SwitchMessage("controller", 64)})
    told = Collector()
    source.start(told)
    controller.send(0xB0, 64, 127)
    assert told.wait_for(1)[0].switch == "main"
    controller.unplug()
    _, release, gone = told.wait_for(3)
    assert type(release) is Release
    assert type(gone) is Trouble and gone.text.endswith("is gone")
    again = Controller(midi_api, controller.name)
    try:
        assert told.wait_for(4)[3].text.endswith("is there")
        again.send(0xB0, 64, 100)
        assert type(told.wait_for(5)[4]) is Press
    finally:
        again.unplug()


def test_waits_for_one_that_is_not_there(midi_api):
    source = MidiSwitches("no such foot", {"main": SwitchMessage("controller", 64)}, midi_api, period_s=0.02)
    told = Collector()
    try:
        source.start(told)
        (missing,) = told.wait_for(1)
        assert type(missing) is Trouble
        assert missing.text.startswith("no foot controller: no MIDI port has 'no such foot' in its name")
        assert missing.text.endswith("; waiting for it")
        late = Controller(midi_api, "No Such Foot At All")
        try:
            told.wait_for(2)
            late.send(0xB0, 64, 127)
            assert type(told.wait_for(3)[2]) is Press
        finally:
            late.unplug()
    finally:
        source.close()


def test_closing_in_the_middle_of_a_flood(make):
    """rtmidi's own callbacks are known to crash or to lock up here."""

    def flood(controller, told):
        for value in (127, 0) * 25:
            controller.send(0xB0, 64, value)
        return len(told.events) > 20

    for _ in range(10):
        source, controller = make({"main": SwitchMessage("controller", 64)})
        told = Collector()
        source.start(told)
        until(partial(flood, controller, told))
        source.close()
        controller.unplug()


# ---- what the messages mean: no MIDI system needed ---------------------------------------


class Heard:
    """What a foot controller's messages come to."""

    def __init__(self, **switches):
        self.events = []
        self.treadles = Treadles(switches, self.events.append)

    def __call__(self, *messages):
        self.events.clear()
        for message in messages:
            self.treadles.hear(time.monotonic_ns(), bytes.fromhex(message))
        return " ".join(f"{type(event).__name__[0]}:{event.switch}" for event in self.events)


def test_controllers_switch_at_64():
    heard = Heard(a=SwitchMessage("controller", 64))
    assert heard("B0 40 3F") == ""  # 63 is off, and off it is
    assert heard("B0 40 40") == "P:a"
    assert heard("B0 40 7F", "B0 40 50") == ""  # a treadle on its way
    assert heard("B0 40 3F", "B0 40 00") == "R:a"


def test_latching_controllers_tap_at_each_change():
    heard = Heard(a=SwitchMessage("controller", 64, latching=True))
    assert heard("B0 40 00") == "P:a R:a"  # where it stood before, nobody knows
    assert heard("B0 40 00") == ""
    assert heard("B0 40 7F", "B0 40 7F") == "P:a R:a"
    assert heard("B0 40 00") == "P:a R:a"


def test_only_its_own_number_kind_and_channel():
    heard = Heard(a=SwitchMessage("note", 36, channel=10), b=SwitchMessage("program", 36))
    assert heard("90 24 7F", "99 25 7F", "B9 24 7F", "A9 24 7F", "D9 24") == ""
    assert heard("99 24 01", "99 24 00") == "P:a R:a"
    assert heard("C0 24", "CF 24") == "P:b R:b P:b R:b"


def test_one_message_may_be_two_switches_told_apart_by_channel():
    heard = Heard(a=SwitchMessage("controller", 64, 1), b=SwitchMessage("controller", 64, 2))
    assert heard("B0 40 7F", "B1 40 7F", "B0 40 00") == "P:a P:b R:a"


@given(st.lists(st.binary(max_size=5), max_size=20))
def test_any_bytes_give_edges_in_turn_or_nothing(messages):
    heard = Heard(
        a=SwitchMessage("controller", 64), b=SwitchMessage("note", 0), c=SwitchMessage("program", 1)
    )
    heard(*(message.hex() for message in messages))
    for name in "abc":
        kinds = [type(event) for event in heard.events if event.switch == name]
        assert all(before is not after for before, after in itertools.pairwise(kinds))
        assert not kinds or kinds[0] is Press
    assert all(event.at <= time.monotonic_ns() for event in heard.events)
