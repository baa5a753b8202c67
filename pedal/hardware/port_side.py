"""An output for others who play along. It comes and goes: that is said, and stops nothing.

A thread opens it when it appears and closes it when it is gone. The loop only sends, and never
waits: what is sent in the moment of a change is lost.
"""

import threading
from collections.abc import Callable
from functools import partial

from pedal.events import PortChanged
from pedal.hardware.clock import Clock
from pedal.hardware.errors import MidiMissing, PortMissing
from pedal.hardware.port import SynthPort, find_port
from pedal.hardware.port_rtmidi import PortList, open_port, pick_api
from pedal.hardware.port_silent import SilentPort
from pedal.hardware.port_watch import PortWatcher, is_connected


class SidePort(SynthPort):
    """Sends to the port with `pattern` in its name, whenever there is one."""

    def __init__(
        self,
        pattern: str,
        client_name: str,
        say: Callable[[str], None],
        clock: Clock,
        api: str = "auto",
        period_s: float = 1.0,
    ) -> None:
        """`say` is called in a thread, and at once if there is no such port yet.

        Raises MidiMissing if there is no MIDI system.
        """
        self.name = pattern
        self._client_name, self._say = client_name, say
        self._api = pick_api(api)
        self._port: SynthPort = SilentPort()
        self._lock = threading.Lock()  # held while sending, and while another port takes the place
        self._closed = False
        ports = PortList(self._api, client_name=f"{client_name}-look")
        try:
            find_port(pattern, ports.names())
        except PortMissing as error:
            say(f"no MIDI output: {error}; waiting for it")
        finally:
            ports.close()
        connected = partial(is_connected, client_name) if self._api == "alsa" else lambda: True
        self._watcher = PortWatcher(
            pattern, self._api, self._changed, clock, period_s=period_s, connected=connected
        )

    def send(self, data: bytes) -> None:
        """Send one MIDI message, or drop it."""
        if self._lock.acquire(blocking=False):
            try:
                self._port.send(data)
            finally:
                self._lock.release()

    def close(self) -> None:
        """Give the port back. May be called again."""
        if not self._closed:
            self._closed = True
            self._watcher.close()
            self._take(SilentPort())

    def _changed(self, event: PortChanged) -> None:
        if self._closed:
            return
        port: SynthPort = SilentPort()
        if event.there:
            try:
                port = open_port(self.name, self._api, self._client_name)
            except (PortMissing, MidiMissing):
                return  # gone again already; the watcher will tell
            self._say(f"MIDI output {port.name!r} is there")
        else:
            self._say(f"MIDI output {self.name!r} is gone")
        self._take(port)

    def _take(self, port: SynthPort) -> None:
        with self._lock:
            old, self._port = self._port, port
        old.close()
