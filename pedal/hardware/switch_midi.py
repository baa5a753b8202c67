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
from dataclasses import dataclass
from typing import Literal, NamedTuple, Self

from pedal.events import Press, Release, Trouble
from pedal.hardware.box import Box
from pedal.hardware.keys import Keys
from pedal.hardware.midi_input import MidiInput
from pedal.hardware.port_rtmidi import load_midi
from pedal.hardware.switch import Put, SwitchBackend, SwitchSource

Kind = Literal["controller", "note", "program"]
KINDS: tuple[Kind, ...] = ("controller", "note", "program")
_STATUS: dict[int, Kind] = {0x80: "note", 0x90: "note", 0xB0: "controller", 0xC0: "program"}
_ON = 64
_CHANNELS = range(1, 17)


class SwitchMessage(NamedTuple):
    """What one switch sends: `number` of the controller, note or program (0 to 127).

    `channel` counts from 1, None is any. `latching`: a controller that stays on until the next
    press.
    """

    kind: Kind
    number: int
    channel: int | None = None
    latching: bool = False


@dataclass(frozen=True, slots=True)
class MidiSwitch(SwitchBackend):
    """A switch of a foot controller: part of its port's name, and the message it sends."""

    port: str
    message: SwitchMessage

    @classmethod
    def read(cls, keys: Keys, name: str) -> Self | None:
        """`port`, one of `controller`, `note` and `program`, and `channel` and `wiring`."""
        port, channel = keys.text("port", needed=True), keys.whole("channel", 1, 16)
        numbers = {kind: keys.whole(kind, 0, 127) for kind in KINDS}
        given = [kind for kind in KINDS if kind in keys]
        if len(given) != 1:
            rule = "must be the only one of" if given else "is missing: one of"
            keys.wrong(given[-1] if given else "controller", f"{rule} {', '.join(KINDS)}")
        wirings: tuple[Literal["open", "latching"], ...] = ("open", "latching")
        latching = keys.one_of("wiring", wirings, "open") == "latching"
        kind = given[0] if given else "controller"
        if latching and kind != "controller":
            keys.wrong("wiring", "only a controller can be latching")
        number = numbers[kind]
        if port is None or number is None:
            return None
        return cls(port, SwitchMessage(kind, number, channel, latching))

    def device(self) -> str:
        """The foot controller."""
        return f"MIDI {self.port!r}"

    def sends(self) -> Mapping[str, object]:
        """Its message on each channel that it may come on."""
        kind, number, channel, _ = self.message
        channels = _CHANNELS if channel is None else (channel,)
        return {f"midi {self.port.casefold()!r} {channel} {kind} {number}": number for channel in channels}

    @classmethod
    def load(cls, box: Box) -> None:
        """Import rtmidi."""
        load_midi()

    @classmethod
    def open(cls, switches: Mapping[str, Self], box: Box) -> "MidiSwitches":
        """Make an input for the foot controller. Raises MidiMissing; the controller itself may come later."""
        port = next(iter(switches.values())).port
        return MidiSwitches(port, {name: switch.message for name, switch in switches.items()}, box.midi_api)


class Treadles:
    """What a foot controller's messages mean: edges of switches, put as they come."""

    def __init__(self, switches: Mapping[str, SwitchMessage], put: Callable[[Press | Release], None]) -> None:
        self._switches, self._put = dict(switches), put
        self._down: dict[str, bool | None] = {
            name: None if message.latching else False for name, message in switches.items()
        }

    def hear(self, at: int, data: bytes) -> None:
        """One message, whatever it is, that came at `at` (monotonic ns)."""
        kind = _STATUS.get(data[0] & 0xF0) if data else None
        if kind is None or len(data) < (2 if kind == "program" else 3):
            return
        for name, message in self._switches.items():
            if (message.kind, message.number) != (kind, data[1]):
                continue
            if message.channel is None or message.channel == (data[0] & 0x0F) + 1:
                self._take(at, name, message, data)

    def let_go(self, at: int) -> None:
        """What was held when the cable came out, at `at` (monotonic ns), is not held any more.

        A hold would stop the band.
        """
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
        """`port` is part of an input's name, looked for every `period_s` seconds. Raises MidiMissing."""
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
