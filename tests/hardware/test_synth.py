import os
import wave

import mido
import numpy as np
import pytest

from pedal.hardware import port_rtmidi, synth
from pedal.hardware.errors import RigError, SynthError
from pedal.hardware.port_rtmidi import PortList
from pedal.hardware.synth import SynthChild, find_soundfont, render

needs_fluidsynth = pytest.mark.skipif(SynthChild.find() is None, reason="fluidsynth is not installed")


@pytest.fixture
def soundfont():
    """The smallest one there is: it loads in a moment."""
    small = "/usr/share/sounds/sf2/TimGM6mb.sf2"
    if not os.path.exists(small):
        pytest.skip("timgm6mb-soundfont is not installed")
    return find_soundfont(small)


@pytest.fixture
def one_note(tmp_path):
    """Half a second of silence, then a second of A4."""
    path = tmp_path / "note.mid"
    file = mido.MidiFile(ticks_per_beat=480)
    file.tracks.append(
        mido.MidiTrack(
            [
                mido.Message("program_change", program=0),
                mido.Message("note_on", note=69, velocity=110, time=480),
                mido.Message("note_off", note=69, time=960),
            ]
        )
    )
    file.save(path)
    return path


def is_gone(pid):
    try:
        os.kill(pid, 0)
    except ProcessLookupError:
        return True
    return False


class TestSoundfont:
    def test_finds_a_usual_one(self, soundfont, monkeypatch, tmp_path):
        monkeypatch.setattr(synth, "SOUNDFONT_PATHS", (str(tmp_path / "none"), str(soundfont)))
        assert find_soundfont() == soundfont

    def test_none_anywhere(self, monkeypatch):
        monkeypatch.setattr(synth, "SOUNDFONT_PATHS", ())
        with pytest.raises(SynthError, match="no General MIDI soundfont found"):
            find_soundfont()

    def test_a_configured_one_that_is_not_there_is_not_replaced(self):
        with pytest.raises(SynthError) as caught:
            find_soundfont("/no/such.sf2")
        assert str(caught.value) == "soundfont '/no/such.sf2' cannot be read: No such file or directory"
        assert isinstance(caught.value, RigError)

    def test_a_configured_one_in_the_home_of_nobody(self):
        with pytest.raises(SynthError, match="No such file or directory"):
            find_soundfont("~nobody-at-all/gm.sf2")

    def test_a_configured_one_that_is_something_else(self, tmp_path):
        (tmp_path / "a.sf2").write_bytes(b"RIFF\0\0\0\0WAVEfmt ")
        with pytest.raises(SynthError, match=r"a\.sf2' is not a soundfont$"):
            find_soundfont(str(tmp_path / "a.sf2"))


@needs_fluidsynth
class TestChild:
    @pytest.fixture
    def ports(self, jack):
        ports = PortList("jack")
        yield ports
        ports.close()

    def test_starts_is_found_and_leaves_nothing_behind(self, soundfont, ports, capfd):
        child = SynthChild.start(soundfont, "jack", name="Test Child")
        try:
            name = child.wait_ready(ports.names)
            assert "test child" in name.lower()
            port = port_rtmidi.open_port("tEST cHILD", "jack")
            port.send(bytes.fromhex("90 3C 40"))
            port.close()
            assert not is_gone(child.pid)
        finally:
            child.stop()
        assert is_gone(child.pid)
        assert name not in ports.names()
        child.stop()
        assert capfd.readouterr() == ("", "")

    def test_its_midi_is_connected_to_nothing(self, soundfont, ports, make_jack_source):
        make_jack_source("Foot Controller")
        child = SynthChild.start(soundfont, "jack", name="Lone Child")
        try:
            name = child.wait_ready(ports.names)
            assert connections(name) == []
        finally:
            child.stop()

    def test_one_that_cannot_start_says_why(self, soundfont, monkeypatch):
        monkeypatch.setenv("JACK_DEFAULT_SERVER", "pedal-nobody")
        child = SynthChild.start(soundfont, "jack")
        with pytest.raises(SynthError) as caught:
            child.wait_ready(list)
        assert str(caught.value) == (
            "FluidSynth ended at once: fluidsynth: error: Failed to connect to Jack server."
        )
        child.stop()
        assert is_gone(child.pid)

    def test_one_that_is_never_ready(self, soundfont, jack):
        child = SynthChild.start(soundfont, "jack", name="Unseen Child")
        try:
            with pytest.raises(SynthError, match=r"^FluidSynth was not ready after 0\.2 s: "):
                child.wait_ready(list, timeout_s=0.2)
        finally:
            child.stop()
        assert is_gone(child.pid)


def test_a_port_alone_is_not_ready(monkeypatch, tmp_path, soundfont):
    program = tmp_path / "fluidsynth"
    program.write_text("#!/bin/sh\nexec cat >/dev/null\n")  # its audio never opens, so no answer comes
    program.chmod(0o755)
    monkeypatch.setenv("PATH", f"{tmp_path}:{os.environ['PATH']}")
    child = SynthChild.start(soundfont, "alsa")
    with pytest.raises(SynthError, match=r"was not ready after 0\.2 s: it said nothing"):
        child.wait_ready(lambda: ["pedal-synth:in 128:0"], timeout_s=0.2)
    child.stop()
    assert is_gone(child.pid)


@pytest.fixture
def make_jack_source(jack):
    """Makes MIDI outputs that a greedy synth would subscribe to."""
    import rtmidi

    clients = []

    def make(name):
        clients.append(rtmidi.MidiOut(rtmidi.API_UNIX_JACK, name=name))
        clients[-1].open_virtual_port("out")

    yield make
    for client in clients:
        client.close_port()
        client.delete()


def connections(port):
    """What the JACK server says is connected to a port."""
    import jack

    client = jack.Client("Onlooker", no_start_server=True)
    try:
        return [other.name for other in client.get_all_connections(port)]
    finally:
        client.close()


@needs_fluidsynth
class TestRender:
    def test_plays_what_is_written(self, soundfont, one_note, tmp_path):
        out = tmp_path / "note.wav"
        render(one_note, out, soundfont)
        with wave.open(str(out)) as file:
            assert (file.getframerate(), file.getnchannels(), file.getsampwidth()) == (48000, 2, 2)
            left = np.frombuffer(file.readframes(file.getnframes()), np.int16)[::2] / 32768
        assert np.abs(left[:23000]).max() < 0.001  # the first half second is silent
        tone = left[28000:60000]
        assert 0.02 < np.abs(tone).max() < 0.9
        spectrum = np.abs(np.fft.rfft(tone * np.hanning(len(tone))))
        assert spectrum.argmax() * 48000 / len(tone) == pytest.approx(440, abs=3)
        assert sorted(os.listdir(tmp_path)) == ["note.mid", "note.wav"]

    def test_no_midi_file(self, soundfont, tmp_path):
        with pytest.raises(SynthError, match=r"^MIDI file '/no/such\.mid' is not there$"):
            render(tmp_path / "/no/such.mid", tmp_path / "a.wav", soundfont)

    def test_a_midi_file_that_is_none(self, soundfont, tmp_path):
        (tmp_path / "bad.mid").write_text("not music")
        with pytest.raises(
            SynthError, match=r"^FluidSynth could not render '.*bad\.mid': fluidsynth: error: "
        ):
            render(tmp_path / "bad.mid", tmp_path / "a.wav", soundfont)
        assert os.listdir(tmp_path) == ["bad.mid"]

    def test_a_file_that_cannot_be_written(self, soundfont, one_note, tmp_path):
        with pytest.raises(SynthError, match="Failed to open audio file"):
            render(one_note, tmp_path / "no" / "such.wav", soundfont)

    def test_a_file_that_cannot_take_the_name(self, soundfont, one_note, tmp_path):
        (tmp_path / "a.wav").mkdir()
        with pytest.raises(SynthError, match=r"a\.wav' could not be written: Is a directory$"):
            render(one_note, tmp_path / "a.wav", soundfont)
        assert sorted(os.listdir(tmp_path)) == ["a.wav", "note.mid"]

    def test_no_soundfont_is_no_silent_file(self, one_note, tmp_path):
        with pytest.raises(SynthError, match="cannot be read"):
            render(one_note, tmp_path / "a.wav", tmp_path / "none.sf2")
        assert not (tmp_path / "a.wav").exists()


def test_no_fluidsynth(monkeypatch, soundfont, one_note, tmp_path):
    monkeypatch.setenv("PATH", str(tmp_path))
    assert SynthChild.find() is None
    with pytest.raises(SynthError, match="FluidSynth is not installed"):
        SynthChild.start(soundfont, "jack")
    with pytest.raises(SynthError, match="FluidSynth is not installed"):
        render(one_note, tmp_path / "a.wav", soundfont)


def test_a_fluidsynth_that_is_no_program(monkeypatch, soundfont, one_note, tmp_path):
    program = tmp_path / "fluidsynth"
    program.write_bytes(b"\x7fELF of another machine")
    program.chmod(0o755)
    monkeypatch.setenv("PATH", str(tmp_path))
    for attempt in (
        lambda: SynthChild.start(soundfont, "jack"),
        lambda: render(one_note, tmp_path / "a.wav", soundfont),
    ):
        with pytest.raises(SynthError, match=r"^FluidSynth cannot be started: Exec format error$"):
            attempt()


class TestCommand:
    """What cannot be run here: ALSA needs a sound card."""

    @pytest.fixture
    def command(self, monkeypatch, tmp_path, soundfont):
        """Starts a program that only shows its arguments, and returns them."""
        program = tmp_path / "fluidsynth"
        program.write_text('#!/bin/sh\nprintf "%s\\n" "$@" "no start: $JACK_NO_START_SERVER"\n')
        program.chmod(0o755)
        monkeypatch.setenv("PATH", f"{tmp_path}:{os.environ['PATH']}")
        monkeypatch.setenv("XDG_RUNTIME_DIR", str(tmp_path))
        monkeypatch.delenv("PULSE_SERVER", raising=False)

        def run(api):
            child = SynthChild.start(soundfont, api, gain=0.7)
            child._process.wait(5)
            said = child._said().splitlines()
            child.stop()
            return said

        return run

    @pytest.mark.parametrize("api", ["alsa", "jack"])
    def test_always(self, command, api):
        said = command(api)
        assert {"midi.autoconnect=0", "48000", "0.7"} <= set(said)
        assert not {"-i", "-s", "-is", "-si", "-ni"} & set(said)

    def test_alsa(self, command):
        said = command("alsa")
        assert {"alsa_seq", "alsa", "audio.period-size=64", "audio.periods=8"} <= set(said)
        assert "midi.portname=pedal-synth" in said

    def test_a_sound_server_that_owns_the_card(self, command, tmp_path):
        (tmp_path / "pulse").mkdir()
        (tmp_path / "pulse" / "native").touch()
        said = command("alsa")
        assert {"alsa_seq", "pulseaudio"} <= set(said)
        assert not any("period" in word for word in said)

    def test_jack(self, command):
        said = command("jack")
        assert said.count("jack") == 2
        assert {"audio.jack.id=pedal-synth", "midi.jack.id=pedal-synth"} <= set(said)
        assert {"audio.jack.autoconnect=1", "no start: 1"} <= set(said)
