"""A JACK server without a sound card, and a FluidSynth on it, for the time of a test."""

import os
import shutil
import subprocess
from collections.abc import Iterator
from contextlib import contextmanager
from importlib.util import find_spec
from pathlib import Path

import pytest

from pedal.hardware.port_rtmidi import MidiMissing, list_ports
from tests.support.wait import wait_for

RATE, PERIOD = 48000, 256
SOUNDFONT = Path("/usr/share/sounds/sf2/TimGM6mb.sf2")  # the smallest: it loads in a moment


needs_rtmidi = pytest.mark.skipif(not find_spec("rtmidi"), reason="python-rtmidi is not installed")


def missing() -> list[str]:
    """Debian packages that the tests with real sound need and that are not here."""
    needs = {
        "jackd2": shutil.which("jackd"),
        "fluidsynth": shutil.which("fluidsynth"),
        "timgm6mb-soundfont": SOUNDFONT.exists(),
    }
    return [package for package, there in needs.items() if not there]


@contextmanager
def jack_server(name: str, log: Path) -> Iterator[dict[str, str]]:
    """A server of that name; gives the environment variables that make it the one to use.

    JACK waits for nobody: where it may not go before other programs, what is sent while one of its clients
    is late is lost. Where it may (root, or with the right to real-time priority), nothing is; else it says
    so in its log and goes on.
    """
    environ = {"JACK_DEFAULT_SERVER": name, "JACK_NO_AUDIO_RESERVATION": "1"}
    command = ["jackd", "--realtime", "-P", "10", "-n", name]
    command += ["-d", "dummy", "-r", str(RATE), "-p", str(PERIOD)]
    with log.open("wb") as out:
        server = subprocess.Popen(command, stdout=out, stderr=out, env={**os.environ, **environ})
    try:
        yield environ
    finally:
        server.terminate()
        try:
            server.wait(5.0)
        except subprocess.TimeoutExpired:
            server.kill()
            server.wait()


def server_answers() -> bool:
    """Whether the JACK server of this process's environment is up."""
    try:
        list_ports("jack")
    except MidiMissing:
        return False
    return True


class FluidSynth:
    """A FluidSynth that writes down every message it gets, and sounds only the keys asked for."""

    def __init__(self, name: str, log: Path, drum_keys: tuple[int, int] | None = None) -> None:
        """`drum_keys`: of all the music, sound only this range of keys on the drum channel."""
        self.name = name
        self._log = log
        command = ["stdbuf", "-oL", "fluidsynth", "-d", "-r", str(RATE), "-a", "jack", "-m", "jack"]
        command += ["-R", "0", "-C", "0", "-g", "0.5", "-o", "midi.autoconnect=0"]
        command += ["-o", f"audio.jack.id={name}", "-o", f"midi.jack.id={name}", str(SOUNDFONT)]
        with log.open("wb") as out:
            self.process = subprocess.Popen(
                command, stdin=subprocess.PIPE, stdout=out, stderr=out, bufsize=0, env={**os.environ}
            )
        if drum_keys:
            low, high = drum_keys
            rule = f"router_begin note\nrouter_chan 9 9 1 0\nrouter_par1 {low} {high} 1 0\nrouter_end\n"
            self._tell("router_clear\n" + rule)
        self._tell("echo all-ears\n")

    def wait_ready(self) -> None:
        wait_for(f"FluidSynth {self.name}", lambda: "all-ears" in self._log.read_text(errors="replace"))

    def heard(self) -> list[bytes]:
        """The channel messages that have arrived, as MIDI bytes."""
        found = []
        for line in self._log.read_text(errors="replace").splitlines():
            word, *values = line.split() or [""]
            if word in _EVENTS:
                channel, *data = map(int, values)
                found.append(bytes((_EVENTS[word] | channel, *data)))
        return found

    def kill(self) -> None:
        """End it as a crash would."""
        self.process.stdin.close()
        self.process.kill()
        self.process.wait()

    def stop(self) -> None:
        """End it in order. May be called again."""
        if self.process.stdin.closed:
            return
        self._tell("quit\n")
        self.process.stdin.close()
        try:
            self.process.wait(5.0)
        except subprocess.TimeoutExpired:
            self.kill()

    def _tell(self, text: str) -> None:
        try:
            self.process.stdin.write(text.encode())
        except OSError:
            pass


# How FluidSynth (`-d`) prints what comes in, before its router.
_EVENTS = {
    "event_pre_noteon": 0x90,
    "event_pre_noteoff": 0x80,
    "event_pre_cc": 0xB0,
    "event_pre_prog": 0xC0,
}
