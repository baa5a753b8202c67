import os
import subprocess
import sys
import threading

import pytest

from pedal.events import PortChanged
from pedal.hardware import port_rtmidi
from pedal.hardware.clock import RealClock
from pedal.hardware.errors import MidiMissing, PortMissing, RigError
from pedal.hardware.port import find_port, match_port
from pedal.hardware.port_rtmidi import AlsaPorts, backend_of, is_connected
from pedal.hardware.port_silent import SilentPort
from pedal.hardware.port_watch import PortWatcher
from tests.hardware.conformance import PortBench, check_port, until
from tests.support.recording import Collector, RecordingPort
from tests.support.servers import needs_rtmidi

ALSA = [
    "Midi Through:Midi Through Port-0 14:0",
    "FLUID Synth (731):Synth input port (731:0) 128:0",
    "USB MIDI:USB MIDI MIDI 1 20:0",
]


def test_silent_port_conforms():
    check_port(lambda: PortBench(SilentPort(), None))


def test_recording_port_conforms():
    def make():
        port = RecordingPort()
        return PortBench(port, lambda: port.sent)

    check_port(make)


@pytest.mark.parametrize(
    ("pattern", "name"),
    [
        ("fluid", ALSA[1]),
        ("USB midi", ALSA[2]),
        ("usb midi:usb midi midi 1", ALSA[2]),
        (ALSA[0].replace("14:0", "99:9"), ALSA[0]),  # numbers from another boot
        ("14:0", None),  # numbers are no part of a name
        ("128", None),
        ("organ", None),
    ],
)
def test_a_port_is_meant_by_part_of_its_name(pattern, name):
    assert match_port(pattern, ALSA) == name


def test_a_whole_name_wins_over_a_part():
    assert match_port("synth", ["my synth:in", "synth"]) == "synth"


def test_no_name_is_the_first_that_may_be_a_synth():
    assert match_port("", ALSA) == ALSA[1]
    assert match_port("", ["Midi Through:Midi Through Port-0 14:0", "pedal-watch:out 130:0"]) is None
    with pytest.raises(PortMissing, match=r"^no synth is connected$"):
        find_port("", [ALSA[0]])


CLIENTS = """\
Client info
  cur  clients : 5

Client   0 : "System" [Kernel Legacy]
  Port   0 : "Timer" (Rwe-)
Client  14 : "Midi Through" [Kernel Legacy]
  Port   0 : "Midi Through Port-0" (RWe-) [In/Out]
Client 128 : "pedal" [User Legacy]
  Port   0 : "out" (R-e-) [Out]
    Connecting To: 130:0
Client 129 : "pedal-watch" [User Legacy]
Client 130 : "FLUID Synth (pedal-synth)" [User Legacy]
  Port   0 : "pedal-synth" (-We-) [In]
    Connected From: 128:0
"""


@pytest.mark.parametrize(
    ("text", "connected"),
    [
        (CLIENTS, True),
        (CLIENTS.replace(" Legacy]", "]"), True),  # as older kernels write it
        (CLIENTS.replace("    Connecting To: 130:0\n", ""), False),
        (CLIENTS.replace('"pedal"', '"pedalboard"'), False),
        ("", False),
        (None, True),
    ],
)
def test_the_kernel_tells_whether_we_are_connected(tmp_path, text, connected):
    file = tmp_path / "clients"
    if text is not None:
        file.write_text(text)
    assert is_connected("pedal", file) is connected


def test_a_missing_port_is_told_in_one_line():
    with pytest.raises(PortMissing) as caught:
        find_port("fluyd", ALSA)
    assert str(caught.value) == (
        "no MIDI port has 'fluyd' in its name (did you mean 'FLUID'?); ports: " + ", ".join(ALSA)
    )
    assert isinstance(caught.value, RigError) and isinstance(caught.value, LookupError)


def test_a_missing_port_where_there_are_none():
    with pytest.raises(PortMissing, match=r"^no MIDI port has 'x' in its name; ports: none$"):
        find_port("x", [])


def test_open_names_what_it_did_not_find(midi_api, make_ear):
    make_ear("Lonely Sampler")
    with pytest.raises(PortMissing, match=r"'samplr' .*did you mean 'Sampler'.*Lonely Sampler:in"):
        port_rtmidi.open_port("samplr", midi_api)


def test_opens_by_part_of_the_name_and_lists_both_ways(midi_api, make_ear):
    make_ear("Big Loud Box")
    port = port_rtmidi.open_port("LOUD", midi_api, client_name="pedal-here")
    try:
        assert "Big Loud Box" in port.name
        assert port.name in port_rtmidi.list_ports(midi_api)
        assert any("pedal-here" in name for name in port_rtmidi.list_ports(midi_api, inputs=True))
    finally:
        port.close()
    assert not any("pedal-here" in name for name in port_rtmidi.list_ports(midi_api, inputs=True))


def test_one_list_sees_ports_come_and_go(midi_api, make_ear):
    ports = port_rtmidi.PortList(midi_api)
    try:
        assert match_port("passing", ports.names()) is None
        ear = make_ear("Passing Guest")
        until(lambda: match_port("passing", ports.names()))
        ear.vanish()
        until(lambda: match_port("passing", ports.names()) is None)
    finally:
        ports.close()


def test_auto_takes_alsa_where_it_is(monkeypatch, tmp_path):
    monkeypatch.setattr(port_rtmidi, "SEQUENCER", str(tmp_path))
    assert port_rtmidi.pick_api("auto") == "alsa"


def test_auto_takes_a_running_jack_server_else(jack, monkeypatch, tmp_path):
    monkeypatch.setattr(port_rtmidi, "SEQUENCER", str(tmp_path / "seq"))
    assert port_rtmidi.pick_api("auto") == "jack"


@needs_rtmidi
def test_auto_says_what_is_missing_and_starts_nothing(monkeypatch, tmp_path, capfd):
    monkeypatch.setattr(port_rtmidi, "SEQUENCER", "/dev/snd/none")
    monkeypatch.setenv("JACK_DEFAULT_SERVER", "pedal-nobody")
    monkeypatch.delenv("JACK_NO_START_SERVER", raising=False)
    with pytest.raises(MidiMissing) as caught:
        port_rtmidi.pick_api()
    assert str(caught.value) == (
        "/dev/snd/none is missing (try: modprobe snd_seq), and no JACK server is running"
    )
    assert capfd.readouterr() == ("", "")  # the C library had its say in between
    assert "JACK_NO_START_SERVER" not in os.environ


@needs_rtmidi
def test_alsa_without_its_device(monkeypatch):
    monkeypatch.setattr(port_rtmidi, "SEQUENCER", "/dev/snd/none")
    for attempt in (lambda: port_rtmidi.open_port("x", "alsa"), lambda: port_rtmidi.list_ports("alsa")):
        with pytest.raises(MidiMissing, match="modprobe snd_seq"):
            attempt()


@needs_rtmidi
def test_alsa_that_fails_to_open_is_no_crash(monkeypatch, tmp_path, capfd):
    if os.path.exists(port_rtmidi.SEQUENCER):
        pytest.skip("ALSA works here")
    monkeypatch.setattr(port_rtmidi, "SEQUENCER", str(tmp_path))  # the check passes, the client cannot
    with pytest.raises(MidiMissing, match="ALSA sequencer client"):
        port_rtmidi.list_ports("alsa")
    assert capfd.readouterr() == ("", "")


def test_an_unknown_midi_system():
    with pytest.raises(MidiMissing, match="no MIDI system 'coremidi'; choose one of: auto, alsa, jack"):
        port_rtmidi.pick_api("coremidi")


def test_rtmidi_is_imported_late():
    code = (
        "import sys, pedal.hardware.port_rtmidi, pedal.hardware.port_watch, pedal.hardware.synth\n"
        "import pedal.hardware.switch_gpio, pedal.hardware.lamp_gpio, pedal.hardware.desk\n"
        "sys.exit(bool({'rtmidi', 'gpiozero', 'lgpio', 'termios'} & set(sys.modules)))"
    )
    assert subprocess.run([sys.executable, "-c", code]).returncode == 0


def test_no_rtmidi_at_all(monkeypatch):
    monkeypatch.setitem(sys.modules, "rtmidi", None)
    with pytest.raises(MidiMissing, match="python-rtmidi is not installed"):
        port_rtmidi.list_ports("jack")


class TestWatcher:
    def test_tells_of_a_port_that_comes_and_goes_and_comes(self, midi_api, make_ear):
        told = Collector()
        watcher = PortWatcher("wanted", backend_of(midi_api), told, RealClock(), period_s=0.02)
        try:
            make_ear("Not That One")
            ear = make_ear("The Wanted Synth")
            told.wait_for(1)
            ear.vanish()
            told.wait_for(2)
            make_ear("The Wanted Synth")
            events = told.wait_for(3)
        finally:
            watcher.close()
        assert all(type(event) is PortChanged for event in events)
        assert [event.there for event in events] == [True, False, True]
        assert [event.at for event in events] == sorted(event.at for event in events)
        assert len(told.events) == 3

    def test_says_nothing_of_a_port_already_open(self, midi_api, make_ear):
        ear = make_ear("Known Already")
        port = port_rtmidi.open_port(ear.name, midi_api)
        told = Collector()
        watcher = PortWatcher(
            "known", backend_of(midi_api), told, RealClock(), period_s=0.02, known=port.name
        )
        try:
            ear.vanish()
            assert [event.there for event in told.wait_for(1)] == [False]
        finally:
            watcher.close()
            port.close()

    def test_another_client_of_that_name_is_a_restart(self, midi_api, make_ear):
        make_ear("Restarted Synth")
        told = Collector()
        watcher = PortWatcher(
            "restarted", backend_of(midi_api), told, RealClock(), 0.02, known="Restarted Synth:in 99:9"
        )
        try:
            assert [event.there for event in told.wait_for(2)] == [False, True]
        finally:
            watcher.close()

    def test_a_restart_between_two_looks_is_told_by_the_connection(self, midi_api, make_ear):
        ear = make_ear("Quick Synth")
        port = port_rtmidi.open_port(ear.name, midi_api)
        told, connected = Collector(), threading.Event()
        connected.set()
        watcher = PortWatcher(
            "quick",
            backend_of(midi_api),
            told,
            RealClock(),
            0.02,
            known=port.name,
            connected=connected.is_set,
        )
        try:
            connected.clear()
            assert [event.there for event in told.wait_for(2)] == [False, True]
        finally:
            watcher.close()
            port.close()

    def test_another_that_fits_as_well_is_no_reason_to_change(self, midi_api, make_ear, monkeypatch):
        names = ["Box A:in 128:0", "Box B:in 129:0"]
        told = Collector()
        watcher = PortWatcher("box", backend_of(midi_api), told, RealClock(), 60, known=names[1])
        try:
            monkeypatch.setattr(watcher, "_names", lambda: names)
            watcher._look()
            assert told.events == []
        finally:
            watcher.close()

    def test_waits_for_a_midi_system(self, monkeypatch):
        monkeypatch.setattr(port_rtmidi, "SEQUENCER", "/dev/snd/none")
        told = Collector()
        watcher = PortWatcher("x", AlsaPorts(), told, RealClock(), period_s=0.001, known="x")
        try:
            assert [event.there for event in told.wait_for(1)] == [False]
        finally:
            watcher.close()
        assert len(told.events) == 1
