"""Notices a synth that comes or goes.

No MIDI system tells its senders that a port is gone, so a thread looks at the list of names
about once a second. It touches nothing: it tells the inbox, and the loop reopens or drops.
A synth that came back between two looks has its old name and number, but is no longer connected to
us: with ALSA the kernel's list of clients tells.

Known weakness: when a whole JACK server dies, its clients go on seeing the last list of names.
"""

import re
import threading
from collections.abc import Callable
from pathlib import Path

from pedal.events import PortChanged
from pedal.hardware.clock import Clock
from pedal.hardware.errors import MidiMissing
from pedal.hardware.port import match_port
from pedal.hardware.port_rtmidi import PortList

_CLIENTS = Path("/proc/asound/seq/clients")


class PortWatcher:
    """Puts `PortChanged` when the wanted port appears and when it vanishes."""

    def __init__(
        self,
        pattern: str,
        api: str,
        put: Callable[[PortChanged], None],
        clock: Clock,
        period_s: float = 1.0,
        known: str | None = None,
        connected: Callable[[], bool] = lambda: True,
    ) -> None:
        """Start watching. `known`: the full name of the port already open, if there is one.

        `connected` tells whether our own port still leads to a synth, for those who open what they
        are told of: see `is_connected`.
        """
        self._pattern = pattern
        self._api = api
        self._put = put
        self._clock = clock
        self._period_s = period_s
        self._known = known
        self._connected = connected
        self._ports: PortList | None = None
        self._stop = threading.Event()
        self._thread = threading.Thread(target=self._run, name="port-watcher", daemon=True)
        self._thread.start()

    def close(self) -> None:
        """Stop watching; waits a second at most."""
        self._stop.set()
        self._thread.join(timeout=1.0)

    def _run(self) -> None:
        while not self._stop.is_set():
            self._look()
            self._stop.wait(self._period_s)
        if self._ports is not None:
            self._ports.close()

    def _look(self) -> None:
        names = self._names()
        # Another port that fits as well is no reason to change.
        found = self._known if self._known in names else match_port(self._pattern, names)
        if found == self._known and (found is None or self._connected()):
            return
        # Another full name is another client: the synth restarted between two looks.
        if self._known is not None:
            self._put(PortChanged(self._clock.now(), False))
        if found is not None:
            self._put(PortChanged(self._clock.now(), True))
        self._known = found

    def _names(self) -> list[str]:
        if self._ports is None:
            try:
                self._ports = PortList(self._api, client_name="pedal-watch")
            except MidiMissing:
                return []
        return self._ports.names()


def is_connected(client: str = "pedal", clients: Path = _CLIENTS) -> bool:
    """Whether an ALSA client of ours sends to anything; True where the kernel does not tell."""
    try:
        text = clients.read_text(errors="replace")
    except OSError:
        return True
    blocks = re.split(r"^Client +\d+ : ", text, flags=re.MULTILINE)
    return any("Connecting To:" in block for block in blocks if block.startswith(f'"{client}" '))
