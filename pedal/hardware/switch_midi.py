"""Foot switches that speak MIDI: a controller, a note or a program change each.

    controller   64–127 press, 0–63 release (MIDI 1.0 Detailed Specification, p. 12: switches)
    latching     every change of a controller between off and on is one tap
    note         note-on press, note-off (or velocity 0) release
    program      press and release at once: such a switch cannot be held

A controller may repeat its value, as a treadle does on its way; only a change is an edge. A foot
controller that is unplugged lets go of what it held, and is heard again when it is back.
"""

import time
from collections.abc import Callable, Mapping
from typing import Literal, NamedTuple

from pedal.events import Press, Release, Trouble
from pedal.hardware.midi_input import MidiInput
from pedal.hardware.switch import Put, SwitchSource

Kind = Literal["controller", "note", "program"]
_STATUS = {0x80: "note", 0x90: "note", 0xB0: "controller", 0xC0: "program"}
_ON = 64


class SwitchMessage(NamedTuple):
    """What one switch sends: `number` of the controller, note or program (0 to 127).

    `channel` counts from 1, None is any. `latching`: a controller that stays on until the next
    press.
    """

    kind: Kind
    number: int
    channel: int | None = None
    latching: bool = False


class Treadles:
    """What a foot controller's messages mean: edges of switches, put as they come."""

    def __init__(self, switches: Mapping[str, SwitchMessage], put: Callable[[Press | Release], None]) -> None:
        self._switches, self._put = dict(switches), put
        self._down: dict[str, bool | None] = {
            name: None if message.latching else False for name, message in switches.items()
        }

    def hear(self, at: int, data: bytes) -> None:
        """One message, whatever it is, that came at a time in ns."""
        kind = _STATUS.get(data[0] & 0xF0) if data else None
        if kind is None or len(data) < (2 if kind == "program" else 3):
            return
        for name, message in self._switches.items():
            if (message.kind, message.number) != (kind, data[1]):
                continue
            if message.channel is None or message.channel == (data[0] & 0x0F) + 1:
                self._take(at, name, message, data)

    def let_go(self, at: int) -> None:
        """What was held when the cable came out is not held any more: a hold would stop the band."""
        for name, message in self._switches.items():
            if not message.latching and self._down[name]:
                self._edge(at, name, False)

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
        self._put(Press(at, name) if down else Release(at, name))


class MidiSwitches(SwitchSource):
    """The switches of one foot controller."""

    def __init__(
        self, port: str, switches: Mapping[str, SwitchMessage], api: str = "auto", period_s: float = 1.0
    ) -> None:
        """`port` is part of an input's name. Raises MidiMissing if there is no MIDI system."""
        self.names = tuple(switches)
        self._put: Put | None = None
        self._treadles = Treadles(switches, self._send)
        self._input = MidiInput(
            port,
            # (The moment that the input makes out may be a period early, and no edge comes before its press.)
            lambda _, data: self._treadles.hear(time.monotonic_ns(), data),
            lambda text: self._send(Trouble(time.monotonic_ns(), text)),
            api,
            "pedal-foot",
            period_s,
            what="foot controller",
            lost=lambda: self._treadles.let_go(time.monotonic_ns()),
        )

    def start(self, put: Put) -> None:
        """From now on put edges. A foot controller that is not there is said, and waited for."""
        self._put = put
        self._input.start()

    def close(self) -> None:
        """Put nothing more and give the input back."""
        self._put = None
        self._input.close()

    def _send(self, event: Press | Release | Trouble) -> None:
        if (put := self._put) is not None:
            put(event)
