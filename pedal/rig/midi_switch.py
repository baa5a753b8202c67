"""Foot switches that speak MIDI: a controller, a note or a program change each.

    controller   64–127 press, 0–63 release (MIDI 1.0 Detailed Specification, p. 12: switches)
    latching     every change of a controller between off and on is one tap
    note         note-on press, note-off (or velocity 0) release
    program      press and release at once: such a switch cannot be held

A controller may repeat its value, as a treadle does on its way; only a change is an edge. A foot
controller that is unplugged lets go of what it held, and is heard again when it is back.
"""

import contextlib
import threading
import time
from collections.abc import Mapping
from typing import Any, Literal, NamedTuple

from pedal.events import Command, Press, Release
from pedal.rig.errors import PortMissing
from pedal.rig.port import find_port, match_port
from pedal.rig.port_rtmidi import PortList, midi_client, pick_api, rtmidi_module
from pedal.rig.switch import Put, SwitchSource

Kind = Literal["controller", "note", "program"]
_STATUS = {0x80: "note", 0x90: "note", 0xB0: "controller", 0xC0: "program"}
_ON = 64
_CLOSE_S = 2.0


class SwitchMessage(NamedTuple):
    """What one switch sends: `number` of the controller, note or program (0 to 127).

    `channel` counts from 1, None is any. `latching`: a controller that stays on until the next
    press.
    """

    kind: Kind
    number: int
    channel: int | None = None
    latching: bool = False


class MidiSwitches(SwitchSource):
    """The switches of one foot controller."""

    def __init__(
        self, port: str, switches: Mapping[str, SwitchMessage], api: str = "auto", period_s: float = 1.0
    ) -> None:
        """`port` is part of an input's name. Raises MidiMissing if there is no MIDI system."""
        self.names = tuple(switches)
        self._pattern = port
        self._switches = dict(switches)
        self._down: dict[str, bool | None] = {
            name: None if message.latching else False for name, message in switches.items()
        }
        self._put: Put | None = None
        self._open_name: str | None = None
        self._lock = threading.Lock()  # between what is heard and the unplugging
        self._period_s = period_s
        api = pick_api(api)
        self._client: Any = midi_client(api, "pedal-foot", inputs=True)
        self._ports: PortList | None = PortList(api, inputs=True, client_name="pedal-foot-watch")
        self._stop = threading.Event()
        self._thread = threading.Thread(target=self._run, name="midi-foot", daemon=True)

    def start(self, put: Put) -> None:
        """From now on put edges. A foot controller that is not there is said, and waited for."""
        self._put = put
        self._client.set_callback(lambda event, _: self._hear(bytes(event[0])))
        names = self._ports.names()
        try:
            find_port(self._pattern, names)
            self._open(names)
        except PortMissing as error:
            put(Command(time.monotonic_ns(), "fault", f"no foot controller: {error}; waiting for it"))
        self._thread.start()

    def close(self) -> None:
        """Put nothing more and give the input back."""
        with self._lock:
            self._put = None
        self._stop.set()
        if self._thread.is_alive():
            self._thread.join(_CLOSE_S)
        if self._client is None or self._thread.is_alive():
            return
        with contextlib.suppress(rtmidi_module().RtMidiError):
            self._client.cancel_callback()
            self._client.close_port()
        self._client.delete()
        self._ports.close()
        self._client = self._ports = None

    # ---- coming and going -------------------------------------------------------------

    def _run(self) -> None:
        while not self._stop.wait(self._period_s):
            self._look()

    def _look(self) -> None:
        names = self._ports.names()
        found = match_port(self._pattern, names)
        if found == self._open_name:
            return
        if self._open_name is not None:
            with contextlib.suppress(rtmidi_module().RtMidiError):
                self._client.close_port()
            self._let_go()
            self._tell(f"foot controller {self._open_name!r} is gone")
            self._open_name = None
        if found is not None and self._open(names):
            self._tell(f"foot controller {self._open_name!r} is there")

    def _open(self, names: list[str]) -> bool:
        found = match_port(self._pattern, names)
        try:
            # Numbers are the client's own counting, which may have changed since.
            self._client.open_port(self._client.get_ports().index(found), "in")
        except (ValueError, rtmidi_module().RtMidiError):
            return False  # gone again; looked for in a second
        self._open_name = found
        return True

    def _tell(self, text: str) -> None:
        with self._lock:
            if self._put is not None:
                self._put(Command(time.monotonic_ns(), "fault", text))

    def _let_go(self) -> None:
        """What was held when the cable came out is not held any more: a hold would stop the band."""
        with self._lock:
            for name, message in self._switches.items():
                if not message.latching and self._down[name]:
                    self._edge(time.monotonic_ns(), name, False)

    # ---- what is heard: in rtmidi's own thread -------------------------------------------

    def _hear(self, data: bytes) -> None:
        at = time.monotonic_ns()
        kind = _STATUS.get(data[0] & 0xF0) if data else None
        if kind is None or len(data) < (2 if kind == "program" else 3):
            return
        with self._lock:
            for name, message in self._switches.items():
                if (message.kind, message.number) != (kind, data[1]):
                    continue
                if message.channel is None or message.channel == (data[0] & 0x0F) + 1:
                    self._take(at, name, message, data)

    def _take(self, at: int, name: str, message: SwitchMessage, data: bytes) -> None:
        if message.kind == "program":
            self._edge(at, name, True)
            self._edge(at, name, False)
            return
        down = data[2] >= _ON if message.kind == "controller" else data[0] & 0xF0 == 0x90 and data[2] > 0
        if down == self._down[name]:
            return
        if message.latching:
            self._edge(at, name, True)
            self._edge(at, name, False)
            self._down[name] = down
        else:
            self._edge(at, name, down)

    def _edge(self, at: int, name: str, down: bool) -> None:
        self._down[name] = down
        if self._put is not None:
            self._put(Press(at, name) if down else Release(at, name))
