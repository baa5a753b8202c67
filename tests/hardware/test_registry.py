"""Every backend of every registry, as the settings name it, through the suite of its kind.

A new backend needs a bench here: settings that name it, and a way to see or touch its far side.
"""

import os
import sys

import pytest

from pedal.hardware import port_rtmidi
from pedal.hardware.box import Box
from pedal.hardware.lamp import LampBackend
from pedal.hardware.port import PortBackend
from pedal.hardware.registry import LAMPS, PORTS, SWITCHES, lamp_backend, port_backend, switch_backend
from pedal.hardware.switch import SwitchBackend
from pedal.library.settings import load_config
from pedal.service.foot_switches import devices_of
from tests.hardware.conformance import (
    LampBench,
    PortBench,
    SwitchBench,
    check_lamps,
    check_port,
    check_switches,
)
from tests.hardware.test_desk import Screen
from tests.hardware.test_gpio import Hands
from tests.hardware.test_switch_midi import Controller
from tests.support.fake_evdev import FakeEvdev


@pytest.fixture
def settings(tmp_path):
    """Reads settings."""

    def read(text):
        file = tmp_path / "pedal.toml"
        file.write_text(text)
        return load_config(file)

    return read


# ---- ways to a synth ---------------------------------------------------------------------


def jack_port(request):
    request.getfixturevalue("jack")
    return rtmidi_port(request, "jack", "jack")


def alsa_port(request):
    if not os.path.exists(port_rtmidi.SEQUENCER):
        pytest.skip(f"no ALSA sequencer here ({port_rtmidi.SEQUENCER})")
    return rtmidi_port(request, "alsa", "alsa")


def auto_port(request):
    request.getfixturevalue("jack")
    return rtmidi_port(request, "auto", port_rtmidi.pick_api())


def rtmidi_port(request, api, ear_api):
    backend = request.getfixturevalue("settings")(f"[synth]\napi = '{api}'").synth.backend
    make_ear_on = request.getfixturevalue("make_ear_on")

    def make():
        ear = make_ear_on(ear_api)
        assert any(ear.name in name for name in backend.names())
        return PortBench(backend.open(ear.name, "pedal-test"), ear.heard, ear.vanish)

    return make


PORT_BENCHES = {"auto": auto_port, "alsa": alsa_port, "jack": jack_port}


@pytest.mark.parametrize("name", PORTS)
def test_ports(name, request):
    """JACK loses what a client sends too late, as happens on a busy machine: it has three tries."""
    assert issubclass(port_backend(name), PortBackend)
    make = PORT_BENCHES[name](request)
    for last in (False, False, True):
        try:
            check_port(make)
            break
        except AssertionError:
            if last:
                raise


# ---- foot switches -----------------------------------------------------------------------


def opened(config):
    """The switches of settings that have one device, and the box."""
    box = Box(config.gpio, config.synth.backend.midi_api)
    (device,) = devices_of(config.switches)
    device.load(box)
    return device.open(box), box


def gpio_switches(request):
    config = request.getfixturevalue("settings")(
        "gpio.factory = 'mock'\nswitches.second = {source = 'gpio', pin = 27, wiring = 'closed'}"
    )

    def make():
        source, box = opened(config)
        return SwitchBench(source, Hands(box.pins(), config.switches).tap, box.close)

    return make


def midi_switches(request):
    request.getfixturevalue("jack")

    def make():
        controller = Controller("jack")
        source, _ = opened(
            request.getfixturevalue("settings")(
                "synth.api = 'jack'\n"
                f"switches.main = {{source = 'midi', port = '{controller.name}', controller = 64}}\n"
                f"switches.second = {{source = 'midi', port = '{controller.name.upper()}', note = 64}}"
            )
        )

        def tap(name):
            status = {"main": 0xB0, "second": 0x90}[name]
            controller.send(status, 64, 127)
            controller.send(status, 64, 0)

        return SwitchBench(source, tap, controller.unplug)

    return make


def usb_switches(request):
    fake = FakeEvdev(request.getfixturevalue("tmp_path"))
    request.getfixturevalue("monkeypatch").setitem(sys.modules, "evdev", fake)
    config = request.getfixturevalue("settings")(
        "switches.main = {source = 'usb', device = 'pedal', key = 'a'}\n"
        "switches.second = {source = 'usb', device = 'Pedal', key = 'KEY_B'}"
    )

    def make():
        pedal = fake.plug("Foot Pedal", "KEY_A", "KEY_B")
        source, _ = opened(config)

        def tap(name):
            key = {"main": "KEY_A", "second": "KEY_B"}[name]
            pedal.press(key)
            pedal.release(key)

        return SwitchBench(source, tap, pedal.unplug)

    return make


SWITCH_BENCHES = {"gpio": gpio_switches, "midi": midi_switches, "usb": usb_switches}


@pytest.mark.parametrize("name", SWITCHES)
def test_switches(name, request):
    assert issubclass(switch_backend(name), SwitchBackend)
    check_switches(SWITCH_BENCHES[name](request))


# ---- lamps -------------------------------------------------------------------------------


def gpio_lamps(request):
    config = request.getfixturevalue("settings")(
        "gpio.factory = 'mock'\nlamps = {backend = 'gpio', I = 5, IV = 6, ready = 7, active_high = false}"
    )

    def make():
        box = Box(config.gpio)
        board = config.lamps.backend.open(box)
        pins = config.lamps.pins
        return LampBench(board, lambda name: not box.pins().factory.pin(pins[name]).state, box.close)

    return make


def desk_lamps(request):
    config = request.getfixturevalue("settings")("lamps.backend = 'desk'")

    def make():
        screen = Screen()
        request.getfixturevalue("monkeypatch").setattr("sys.stderr", screen.stream)
        return LampBench(config.lamps.backend.open(Box("none")), screen.is_lit, screen.close)

    return make


LAMP_BENCHES = {"gpio": gpio_lamps, "desk": desk_lamps}


@pytest.mark.parametrize("name", LAMPS)
def test_lamps(name, request):
    assert issubclass(lamp_backend(name), LampBackend)
    check_lamps(LAMP_BENCHES[name](request))
