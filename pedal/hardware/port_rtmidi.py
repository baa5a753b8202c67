"""MIDI outputs through ALSA's sequencer or JACK, over python-rtmidi.

ALSA is for the box; JACK serves desks and tests (when its server dies, sends can block the
whole process). Straight on rtmidi, not through mido, whose send after close crashes.
rtmidi is imported when it is first needed: a desk that only prints has no use for it.
"""

import contextlib
import os
import re
import threading
import time
from collections.abc import Iterator
from pathlib import Path
from types import ModuleType
from typing import Any

from pedal.hardware.errors import MidiMissing, PortMissing
from pedal.hardware.port import PortBackend, SynthPort, find_port

SEQUENCER = "/dev/snd/seq"
_CLIENTS = Path("/proc/asound/seq/clients")
APIS = ("auto", "alsa", "jack")
# JACK drops what was sent less than a few periods before the port closed.
_JACK_LINGER_S = 0.08

_stderr_lock = threading.Lock()


def load_midi() -> None:
    """Import rtmidi ahead of time. If it is missing, that is told when a port is opened."""
    with contextlib.suppress(MidiMissing):
        rtmidi_module()


def pick_api(api: str = "auto") -> str:
    """The MIDI system to use: "alsa" or "jack". Raises MidiMissing if `auto` finds neither."""
    if api not in APIS:
        raise MidiMissing(f"there is no MIDI system {api!r}; choose one of: {', '.join(APIS)}")
    if api != "auto":
        return api
    if os.path.exists(SEQUENCER):
        return "alsa"
    try:
        PortList("jack").close()
    except MidiMissing as error:
        raise MidiMissing(f"{SEQUENCER} is missing (try: modprobe snd_seq), and {error}") from None
    return "jack"


def list_ports(api: str = "auto", inputs: bool = False) -> list[str]:
    """Names of all MIDI outputs (or inputs) of a system of APIS. Raises MidiMissing.

    Makes a client: not for polling.
    """
    with contextlib.closing(PortList(api, inputs=inputs)) as ports:
        return ports.names()


def open_port(pattern: str, api: str = "auto", client_name: str = "pedal") -> "RtmidiPort":
    """Open the output with `pattern` in its name (see `match_port`). Raises PortMissing or MidiMissing."""
    api = pick_api(api)
    client = midi_client(api, client_name)
    try:
        names = client.get_ports()
        name = find_port(pattern, names)
        client.open_port(names.index(name), "out")
    except PortMissing:
        client.delete()
        raise
    except rtmidi_module().RtMidiError as error:  # it went away between being listed and opened
        client.delete()
        raise PortMissing(f"MIDI port {pattern!r} cannot be opened: {error}") from None
    return RtmidiPort(client, name, api)


class _RtmidiPorts(PortBackend):
    """Ports of one MIDI system."""

    def load(self) -> None:
        """Import rtmidi."""
        load_midi()

    def open(self, pattern: str, client_name: str = "pedal") -> "RtmidiPort":
        """Open the output with `pattern` in its name. Raises PortMissing or MidiMissing."""
        return open_port(pattern, self.midi_api, client_name)

    def listing(self, client_name: str = "pedal-list") -> "PortList":
        """A list to be asked again and again. Raises MidiMissing."""
        return PortList(self.midi_api, client_name=client_name)


class AlsaPorts(_RtmidiPorts):
    """ALSA's sequencer."""

    midi_api = synth_api = "alsa"

    def is_connected(self, client_name: str = "pedal") -> bool:
        """Whether the kernel has our client connected to anything."""
        return is_connected(client_name)


class JackPorts(_RtmidiPorts):
    """A JACK server."""

    midi_api = synth_api = "jack"

    def later(self) -> None:
        """Asking for its server each second would cost more than it is worth."""


class AutoPorts(_RtmidiPorts):
    """ALSA where it is, else JACK."""

    def found(self) -> AlsaPorts | JackPorts:
        """One of the two. Raises MidiMissing."""
        return backend_of(self.midi_api)

    def later(self) -> AlsaPorts:
        """ALSA: its kernel module may be loaded yet."""
        return AlsaPorts()


def backend_of(api: str) -> AlsaPorts | JackPorts:
    """The ports of a MIDI system of APIS. Raises MidiMissing if `auto` finds none."""
    return AlsaPorts() if pick_api(api) == "alsa" else JackPorts()


class RtmidiPort(SynthPort):
    """An open output. Made by `open_port`."""

    def __init__(self, client: Any, name: str, api: str) -> None:
        """Takes over `client`, an `rtmidi.MidiOut` with its port open."""
        self.name = name
        self._client = client
        self._linger_s = _JACK_LINGER_S if api == "jack" else 0.0
        self._errors = (rtmidi_module().RtMidiError, ValueError)  # ValueError: not one MIDI message
        self._closed = False

    def send(self, data: bytes) -> None:
        """Send one MIDI message, or drop it."""
        if self._closed:  # rtmidi itself would crash the process
            return
        with contextlib.suppress(*self._errors):
            self._client.send_message(data)

    def close(self) -> None:
        """Close the port and its client. With JACK this takes 80 ms, so that the last notes get out."""
        if self._closed:
            return
        self._closed = True
        time.sleep(self._linger_s)
        with contextlib.suppress(*self._errors):
            self._client.close_port()
        self._client.delete()


class PortList:
    """One long-lived client that can be asked again and again which ports there are."""

    def __init__(self, api: str = "auto", inputs: bool = False, client_name: str = "pedal-list") -> None:
        """`api` of APIS; `inputs` instead of outputs. Raises MidiMissing."""
        self._client = midi_client(pick_api(api), client_name, inputs)

    def names(self) -> list[str]:
        """The names there are now; empty if the MIDI system went away."""
        try:
            names: list[str] = self._client.get_ports()
            return names
        except rtmidi_module().RtMidiError:
            return []

    def close(self) -> None:
        """Give the client back. Call once."""
        self._client.delete()


def midi_client(api: str, name: str, inputs: bool = False) -> Any:
    """An rtmidi client on "alsa" or "jack". Raises MidiMissing."""
    rtmidi = rtmidi_module()
    if api == "alsa" and not os.path.exists(SEQUENCER):
        raise MidiMissing(f"{SEQUENCER} is missing (try: modprobe snd_seq)")
    number = {"alsa": rtmidi.API_LINUX_ALSA, "jack": rtmidi.API_UNIX_JACK}[api]
    if number not in rtmidi.get_compiled_api():
        raise MidiMissing(f"python-rtmidi was built without {api.upper()}")
    kind = rtmidi.MidiIn if inputs else rtmidi.MidiOut
    with _hushed(), _no_server_start():
        try:
            return kind(number, name=name)
        except rtmidi.RtMidiError as error:
            hint = "no JACK server is running" if api == "jack" else str(error)
            raise MidiMissing(hint) from None


def is_connected(client: str = "pedal", clients: Path = _CLIENTS) -> bool:
    """Whether an ALSA client of ours sends to anything; True where the kernel does not tell."""
    try:
        text = clients.read_text(errors="replace")
    except OSError:
        return True
    blocks = re.split(r"^Client +\d+ : ", text, flags=re.MULTILINE)
    return any("Connecting To:" in block for block in blocks if block.startswith(f'"{client}" '))


def rtmidi_module() -> ModuleType:
    """python-rtmidi. Raises MidiMissing if it is not installed."""
    try:
        import rtmidi
    except ImportError:
        raise MidiMissing(
            "python-rtmidi is not installed (Debian: apt install python3-rtmidi, and a venv made with "
            "--system-site-packages; up to Python 3.12 also: pip install python-rtmidi)"
        ) from None
    return rtmidi


@contextlib.contextmanager
def _no_server_start() -> Iterator[None]:
    """Looking for a JACK server must not start one."""
    before = os.environ.get("JACK_NO_START_SERVER")
    os.environ["JACK_NO_START_SERVER"] = "1"
    try:
        yield
    finally:
        if before is None:
            del os.environ["JACK_NO_START_SERVER"]
        else:
            os.environ["JACK_NO_START_SERVER"] = before


@contextlib.contextmanager
def _hushed() -> Iterator[None]:
    """Send file descriptor 2 nowhere: the C libraries print there what we say better ourselves."""
    with _stderr_lock, open(os.devnull, "wb") as nowhere:
        kept = os.dup(2)
        os.dup2(nowhere.fileno(), 2)
        try:
            yield
        finally:
            os.dup2(kept, 2)
            os.close(kept)
