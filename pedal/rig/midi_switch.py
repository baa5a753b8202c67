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
_ASK_S = 0.002
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
    """The switches of one foot controller.

    A thread asks for messages every 2 ms. Letting rtmidi call us instead could end or lock up the
    process when a message comes just while the input is closed, and with JACK would make its
    real-time thread wait for Python.
    """

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
        self._period_s = period_s
        api = pick_api(api)
        self._client: Any = midi_client(api, "pedal-foot", inputs=True)
        self._ports: PortList | None = PortList(api, inputs=True, client_name="pedal-foot-watch")
        self._stop = threading.Event()
        self._thread = threading.Thread(target=self._run, name="midi-foot", daemon=True)

    def start(self, put: Put) -> None:
        """From now on put edges. A foot controller that is not there is said, and waited for."""
        self._put = put
        names = self._ports.names()
        try:
            self._open(find_port(self._pattern, names))
        except PortMissing as error:
            self._tell(f"no foot controller: {error}; waiting for it")
        self._thread.start()

    def close(self) -> None:
        """Put nothing more and give the input back."""
        self._put = None
        self._stop.set()
        if self._thread.is_alive():
            self._thread.join(_CLOSE_S)
        if self._client is None or self._thread.is_alive():
            return
        self._shut()
        self._client.delete()
        self._ports.close()
        self._client = self._ports = None

    # ---- the thread -------------------------------------------------------------------

    def _run(self) -> None:
        look_at = time.monotonic() + self._period_s
        while not self._stop.wait(_ASK_S):
            while (event := self._client.get_message()) is not None:
                self._hear(bytes(event[0]))
            if time.monotonic() >= look_at:
                self._look()
                look_at = time.monotonic() + self._period_s

    def _look(self) -> None:
        found = match_port(self._pattern, self._ports.names())
        if found == self._open_name:
            return
        if self._open_name is not None:
            self._shut()
            self._let_go()
            self._tell(f"foot controller {self._open_name!r} is gone")
            self._open_name = None
        if found is not None and self._open(found):
            self._tell(f"foot controller {found!r} is there")

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

    def _let_go(self) -> None:
        """What was held when the cable came out is not held any more: a hold would stop the band."""
        for name, message in self._switches.items():
            if not message.latching and self._down[name]:
                self._edge(time.monotonic_ns(), name, False)

    def _tell(self, text: str) -> None:
        if (put := self._put) is not None:
            put(Command(time.monotonic_ns(), "fault", text))

    # ---- what is heard ----------------------------------------------------------------

    def _hear(self, data: bytes) -> None:
        at = time.monotonic_ns()
        kind = _STATUS.get(data[0] & 0xF0) if data else None
        if kind is None or len(data) < (2 if kind == "program" else 3):
            return
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
        if (put := self._put) is not None:
            put(Press(at, name) if down else Release(at, name))
