"""A MIDI input that hands on what it hears: a foot controller, another machine's clock, a leader's lamps.

A thread asks every 2 ms. Letting rtmidi call us instead could end or lock up the process when a
message comes just while the input is closed, and with JACK would make its real-time thread wait for
Python. When a message came is known better than to 2 ms: rtmidi tells how long after the one before.
"""

import contextlib
import threading
import time
from collections.abc import Callable
from typing import Any

from pedal.events import NS_PER_S
from pedal.hardware.errors import MidiMissing, PortMissing
from pedal.hardware.port import find_port, match_port
from pedal.hardware.port_rtmidi import PortList, midi_client, pick_api, rtmidi_module

_ASK_S = 0.002
_CLOSE_S = 2.0

Hear = Callable[[int, bytes], None]
"""Takes one message and when it came, in monotonic ns."""


class MidiInput:
    """One input, followed when it goes and comes back."""

    def __init__(
        self,
        port: str | None,
        hear: Hear,
        say: Callable[[str], None],
        api: str = "auto",
        client_name: str = "pedal-in",
        period_s: float = 1.0,
        what: str = "MIDI input",
        lost: Callable[[], None] = lambda: None,
    ) -> None:
        """`port` is part of an input's name; None makes one that others connect to, called `client_name`.

        `hear`, `say` and `lost` (it is gone, before that is said) are called in a thread; what is said
        calls it `what`. A port that is not there is looked for every `period_s` seconds. Raises MidiMissing
        if there is no MIDI system, or it lets us have no input.
        """
        self._pattern, self._hear, self._say = port, hear, say
        self._what, self._lost = what, lost
        self._period_s = period_s
        self._open_name: str | None = None
        self._last = self._asked = time.monotonic_ns()
        api = pick_api(api)
        self._client: Any = midi_client(api, client_name, inputs=True)
        self._client.ignore_types(sysex=False, timing=False, active_sense=True)
        self._ports: PortList | None = None
        try:
            if port:
                self._ports = PortList(api, inputs=True, client_name=f"{client_name}-watch")
            else:
                self._client.open_virtual_port("in")
        except rtmidi_module().RtMidiError as error:
            self._client.delete()
            raise MidiMissing(f"{what} {client_name!r} cannot be made: {error}") from None
        except MidiMissing:
            self._client.delete()
            raise
        self._stop = threading.Event()
        self._thread = threading.Thread(target=self._run, name=client_name, daemon=True)

    def start(self) -> None:
        """From now on hand on. A port that is not there is said, and waited for."""
        if self._ports is not None and self._pattern is not None:
            try:
                self._open(find_port(self._pattern, self._ports.names()))
            except PortMissing as error:
                self._say(f"no {self._what}: {error}; waiting for it")
        self._thread.start()

    def close(self) -> None:
        """Hand on nothing more and give the input back."""
        self._stop.set()
        if self._thread.is_alive():
            self._thread.join(_CLOSE_S)
        if self._client is None or self._thread.is_alive():
            return
        self._shut()
        self._client.delete()
        if self._ports is not None:
            self._ports.close()
        self._client = self._ports = None

    # ---- the thread -------------------------------------------------------------------

    def _run(self) -> None:
        look_at = time.monotonic() + self._period_s
        while not self._stop.wait(_ASK_S):
            asked = time.monotonic_ns()
            while (event := self._client.get_message()) is not None:
                data, delta = event
                self._hear(self._moment(time.monotonic_ns(), delta), bytes(data))
            self._asked = asked
            if self._ports is not None and time.monotonic() >= look_at:
                self._look(self._ports)
                look_at = time.monotonic() + self._period_s

    def _moment(self, now: int, delta_s: float) -> int:
        """When a message came: so long after the last one, but after we asked last and not later than now."""
        self._last = min(now, max(self._asked, self._last + round(delta_s * NS_PER_S)))
        return self._last

    def _look(self, ports: PortList) -> None:
        found = match_port(self._pattern or "", ports.names())
        if found == self._open_name:
            return
        if self._open_name is not None:
            self._shut()
            self._lost()
            self._say(f"{self._what} {self._open_name!r} is gone")
            self._open_name = None
        if found is not None and self._open(found):
            self._say(f"{self._what} {found!r} is there")

    def _open(self, name: str) -> bool:
        try:
            # Each client counts the ports anew.
            self._client.open_port(self._client.get_ports().index(name), "in")
        except (ValueError, rtmidi_module().RtMidiError):
            return False  # gone again; looked for in a second
        self._open_name = name
        return True

    def _shut(self) -> None:
        with contextlib.suppress(rtmidi_module().RtMidiError):
            self._client.close_port()
