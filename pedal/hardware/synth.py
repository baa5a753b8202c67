"""FluidSynth: as our own child at a desk, and as the offline renderer.

The child gets a shell on a pipe (`-i`, no shell, would make it end at once; `-s` would open a
TCP shell to the network). It ends when the pipe closes, so it cannot outlive us. It prints
"ready" things before its audio is open: only an answer on that shell proves that it plays.

Start it before taking real-time priority (children inherit that) and before any thread.
"""

import contextlib
import os
import shutil
import subprocess
import tempfile
import time
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import IO

from pedal.hardware.errors import SynthError
from pedal.hardware.port import match_port

SOUNDFONT_PATHS = (
    "/usr/share/sounds/sf2/default-GM.sf2",
    "/usr/share/sounds/sf2/TimGM6mb.sf2",
    "/usr/share/sounds/sf2/FluidR3_GM.sf2",
    "/usr/share/sounds/sf3/default-GM.sf3",
    "/usr/share/soundfonts/default.sf2",
    "/usr/share/soundfonts/FluidR3_GM.sf2",
)
# MIDI is heard once per period: 64 frames are 1.3 ms. Eight of them (11 ms) absorb a busy system.
_PERIOD_FRAMES = 64
_PERIODS = 8
_ASK = b"echo pedal-child-answers\n"
_ANSWER = "pedal-child-answers"
_POLL_S = 0.05


def find_soundfont(configured: str | None = None) -> Path:
    """The configured soundfont, else the first of the usual ones. Raises SynthError."""
    if configured is not None:
        path = Path(os.path.expanduser(configured))
        _check_soundfont(path)
        return path
    for usual in SOUNDFONT_PATHS:
        if Path(usual).is_file():
            return Path(usual)
    raise SynthError("no General MIDI soundfont found (try: apt install timgm6mb-soundfont)")


def render(midi_path: Path, wav_path: Path, soundfont: Path, gain: float = 0.5) -> None:
    """Play a MIDI file into a 16-bit stereo WAV at 48 kHz, faster than real time. Raises SynthError.

    `gain` is linear, 0 to 10; 0.5 leaves a full band room below clipping.
    """
    program = _program()
    _check_soundfont(soundfont)
    if not os.path.isfile(midi_path):
        raise SynthError(f"MIDI file {str(midi_path)!r} is not there")
    part = wav_path.with_name(wav_path.name + ".part")
    switches = ["-ni", "-r", "48000", "-g", str(gain), "-T", "wav", "-F", str(part)]
    try:
        done = subprocess.run(
            [program, *switches, str(soundfont), str(midi_path)],
            stdin=subprocess.DEVNULL,
            capture_output=True,
            text=True,
            errors="replace",
        )
    except OSError as error:
        raise SynthError(f"FluidSynth cannot be started: {error.strerror}") from None
    # FluidSynth ends with 0 even when it could not write the file.
    if done.returncode != 0 or "error:" in done.stderr or not os.path.isfile(part):
        _remove(part)
        raise SynthError(f"FluidSynth could not render {str(midi_path)!r}: {_complaint(done.stderr)}")
    try:
        part.replace(wav_path)
    except OSError as error:
        _remove(part)
        raise SynthError(f"{str(wav_path)!r} could not be written: {error.strerror}") from None


class SynthChild:
    """A FluidSynth process of our own. Made by `start`."""

    @staticmethod
    def find() -> str | None:
        """Path of the FluidSynth program, or None."""
        return shutil.which("fluidsynth")

    @classmethod
    def start(
        cls, soundfont: Path, api: str, gain: float = 0.5, rate: int = 48000, name: str = "pedal-synth"
    ) -> "SynthChild":
        """Start playing through the MIDI system `api` ("alsa" or "jack"). Raises SynthError.

        `gain` is linear, 0 to 10; `rate` in Hz; `name` becomes part of the name of its MIDI port.
        """
        options = _jack_options(name) if api == "jack" else _alsa_options(name)
        command = [_program(), "-g", str(gain), "-r", str(rate), "-o", "midi.autoconnect=0", *options]
        try:
            log = tempfile.TemporaryFile()  # noqa: SIM115 - closed by stop(); a pipe would need a thread
            process = subprocess.Popen(
                [*command, str(soundfont)],
                stdin=subprocess.PIPE,
                stdout=log,
                stderr=subprocess.STDOUT,
                bufsize=0,
                env={**os.environ, "JACK_NO_START_SERVER": "1"},
                process_group=0,  # Ctrl-C at the terminal is for us; we then end it with all notes off
            )
        except OSError as error:
            raise SynthError(f"FluidSynth cannot be started: {error.strerror}") from None
        return cls(process, log, name)

    def __init__(self, process: subprocess.Popen[bytes], log: IO[bytes], name: str) -> None:
        """Takes over the process and the file with everything that it prints."""
        self.name = name
        assert process.stdin is not None  # it is a pipe
        self._process, self._shell = process, process.stdin
        self._log = log
        self._tell(_ASK)

    @property
    def pid(self) -> int:
        """Process number."""
        return self._process.pid

    def wait_ready(self, list_ports: Callable[[], Sequence[str]], timeout_s: float = 15.0) -> str:
        """Wait until it sounds, and return the name of its port. Raises SynthError after `timeout_s` seconds.

        `list_ports` is asked every 50 ms: give the `names` of one long-lived list.
        """
        deadline = time.monotonic() + timeout_s
        while time.monotonic() < deadline:
            port = match_port(self.name, list_ports())
            if port is not None and _ANSWER in self._said():
                return port
            try:
                self._process.wait(_POLL_S)
            except subprocess.TimeoutExpired:
                continue
            raise SynthError(f"FluidSynth ended at once: {_complaint(self._said())}")
        raise SynthError(f"FluidSynth was not ready after {timeout_s:g} s: {_complaint(self._said())}")

    def stop(self) -> None:
        """End it: by closing its shell, after two seconds by force. May be called again."""
        if self._log.closed:
            return
        self._tell(b"quit\n")
        self._shell.close()
        try:
            self._process.wait(2.0)
        except subprocess.TimeoutExpired:
            self._process.kill()
            self._process.wait()
        self._log.close()

    def _tell(self, line: bytes) -> None:
        try:
            self._shell.write(line)
        except OSError:
            pass  # it has ended already; wait_ready says why

    def _said(self) -> str:
        # pread leaves the file position alone, which the child shares with us.
        return os.pread(self._log.fileno(), 1 << 16, 0).decode(errors="replace")


def _jack_options(name: str) -> list[str]:
    systems = ["-a", "jack", "-m", "jack"]
    return [*systems, *_set(f"audio.jack.id={name}", f"midi.jack.id={name}", "audio.jack.autoconnect=1")]


def _alsa_options(name: str) -> list[str]:
    midi = ["-m", "alsa_seq", *_set(f"midi.alsa_seq.id={name}", f"midi.portname={name}")]
    if _sound_server_runs():
        return [*midi, "-a", "pulseaudio"]  # it owns the card and sets its own periods
    return [*midi, "-a", "alsa", *_set(f"audio.period-size={_PERIOD_FRAMES}", f"audio.periods={_PERIODS}")]


def _set(*settings: str) -> list[str]:
    return [word for setting in settings for word in ("-o", setting)]


def _sound_server_runs() -> bool:
    runtime = os.environ.get("XDG_RUNTIME_DIR", f"/run/user/{os.getuid()}")
    return "PULSE_SERVER" in os.environ or os.path.exists(os.path.join(runtime, "pulse", "native"))


def _program() -> str:
    program = SynthChild.find()
    if program is None:
        raise SynthError("FluidSynth is not installed (try: apt install fluidsynth)")
    return program


def _check_soundfont(path: Path) -> None:
    # FluidSynth would go on with a soundfont of its own choice and say nothing.
    try:
        with path.open("rb") as file:
            head = file.read(12)
    except OSError as error:
        raise SynthError(f"soundfont {str(path)!r} cannot be read: {error.strerror}") from None
    if head[:4] != b"RIFF" or head[8:] != b"sfbk":
        raise SynthError(f"{str(path)!r} is not a soundfont")


def _remove(path: Path) -> None:
    with contextlib.suppress(OSError):  # there is none, or it must stay
        path.unlink()


def _complaint(text: str) -> str:
    """The line that says most: the last error, else the last line."""
    lines = [line.strip() for line in text.splitlines() if line.strip()]
    errors = [line for line in lines if "error:" in line]
    return next(reversed(errors or lines), "it said nothing")
