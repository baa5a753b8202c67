"""Which hardware there is, and making do without what there is not."""

import sys
import threading
from collections.abc import Callable
from typing import TYPE_CHECKING

from ..events import BeatBegan, ClockIn, GestureDone, Input, Press, Release, Result
from ..hardware.clock import RealClock
from ..hardware.errors import MidiMissing, PinError, PortMissing, RigError, SynthError
from ..hardware.lamp import LampBoard
from ..hardware.midi_input import MidiInput
from ..hardware.port import SynthPort, match_port
from ..hardware.port_rtmidi import PortList, list_ports, load_midi, open_port, pick_api
from ..hardware.port_side import SidePort
from ..hardware.port_silent import SilentPort
from ..hardware.port_watch import PortWatcher, is_connected
from ..hardware.switch import SwitchSource
from ..hardware.synth import SynthChild, find_soundfont
from ..library.settings import Config
from ..library.settings_switches import on_pins
from ..session.report import Report
from .faults import CANNOT_SOUND, DEGRADED, Faults
from .foot_switches import load_pedals, pedals_of

if TYPE_CHECKING:
    from ..hardware.switch_gpio import GpioSwitches


class Rig:
    """The synth port, switches and lamps of this box, or of this desk."""

    def __init__(
        self,
        config: Config,
        clock: RealClock,
        say: Callable[[str], None],
        faults: Faults | None = None,
        alone: bool = False,
    ) -> None:
        """What is missing is said, and kept in `faults`. `alone`: nobody is at a desk.

        A box alone starts no synth of its own: it waits for one to come.
        """
        self.port: SynthPort = SilentPort()
        self._faults = faults or Faults()
        self._alone = alone
        self._config = config
        self._clock = clock
        self._say = say
        self._pattern = config.synth.port
        self._child: SynthChild | None = None
        self._watcher: PortWatcher | None = None
        self._switches: list[SwitchSource] = []
        self._on_pins: GpioSwitches | None = None
        self._pedals: list[str] = []
        self._boards: list[LampBoard] = []
        self._pins = None
        self._desk_lamps = None
        self._sides: dict[str, SidePort] = {}  # outputs for others who play along
        self._clock_in: MidiInput | None = None

    # ---- getting ready ----------------------------------------------------------------

    def start_children(self, check: Callable[[], None] = lambda: None) -> None:
        """Start a synth of our own if no port was named and none is there. Before any thread.

        `check` is called again and again while it gets ready, and may raise.
        """
        synth = self._config.synth
        if self._pattern or self._alone:
            return
        try:
            api = pick_api(synth.api)
            found = match_port(self._pattern, list_ports(api))
        except MidiMissing:
            return  # told when the port is opened
        if found:
            return
        if not SynthChild.find():
            self._say("FluidSynth is not installed either")
            return
        try:
            soundfont = find_soundfont(str(synth.soundfont) if synth.soundfont else None)
            self._child = SynthChild.start(soundfont, api, synth.gain)
            ports = PortList(api)
            try:
                self._pattern = self._child.wait_ready(lambda: check() or ports.names())
            finally:
                ports.close()
        except SynthError as error:
            self._say(str(error))
            self._child = None

    def load(self, desk: bool) -> None:
        """Import what `open` is going to use: with real-time priority that would take too long."""
        load_midi()
        load_pedals(self._config.switches)
        if not desk and self._wants_pins:
            from ..hardware.gpio_pins import load_library

            load_library(self._config.gpio)

    def open(self, put: Callable[[Input], None], desk: bool) -> None:
        """Open port, pins and keys. What is missing is said; only `desk` without a terminal is an error."""
        self._open_port(put)
        self._open_company(put)
        switches = self._open_pedals(put)
        if not desk and self._wants_pins:
            switches |= self._open_pins(put)
        if desk or "main" not in switches:
            self._open_desk(put, desk)

    def _open_port(self, put: Callable[[Input], None]) -> None:
        api, known = self._config.synth.api, None
        try:
            api = pick_api(api)
            self.port = open_port(self._pattern, api)
            known = self.port.name
        except PortMissing as error:
            self._lack("synth", CANNOT_SOUND, f"{error}; playing without sound until it comes")
        except MidiMissing as error:
            self._lack("synth", CANNOT_SOUND, f"no MIDI: {error}; playing without sound")
            if api == "jack":
                return  # asking for its server each second would cost more than it is worth
            api = "alsa"
        connected = is_connected if api == "alsa" else lambda: True
        self._watcher = PortWatcher(self._pattern, api, put, self._clock, known=known, connected=connected)

    def _open_company(self, put: Callable[[Input], None]) -> None:
        """Ports to and from those who play along; they may come and go."""
        company, api = self._config.company, self._config.synth.api
        outputs = {"clock": company.clock_out, "follow": company.follow_out}
        try:
            for name, pattern in outputs.items():
                if pattern:
                    self._sides[name] = SidePort(pattern, f"pedal-{name}", self._say, self._clock, api)
            if company.clock_in:
                self._clock_in = MidiInput(
                    company.clock_in,
                    lambda at, data: put(ClockIn(at, data)),
                    self._say,
                    api,
                    "pedal-clock-in",
                )
                self._clock_in.start()
        except MidiMissing as error:
            self._lack("company", DEGRADED, f"no MIDI for those who play along: {error}")

    def _lack(self, cause: str, kind: str, what: str) -> None:
        self._say(what)
        self._faults.add(cause, kind, what)

    @property
    def _wants_pins(self) -> bool:
        return bool(on_pins(self._config.switches) or self._config.lamps.pins)

    def _open_pedals(self, put: Callable[[Input], None]) -> set[str]:
        """Open foot controllers and USB pedals. Returns the names of their switches."""
        switches: set[str] = set()
        for pedal in pedals_of(self._config.switches, self._config.synth.api):
            try:
                source = pedal.open()
            except RigError as error:
                self._lack(f"switches {pedal.what}", DEGRADED, f"no {pedal.what} foot switch: {error}")
                continue
            self._switches.append(source)
            source.start(put)
            self._pedals.append(pedal.what)
            switches.update(pedal.names)
        return switches

    def _open_pins(self, put: Callable[[Input], None]) -> set[str]:
        """The names of the switches on pins that work now. Lamps and switches do without each other."""
        from ..hardware.gpio_pins import GpioPins
        from ..hardware.lamp_gpio import GpioLamps
        from ..hardware.switch_gpio import GpioSwitches, SwitchPin

        config = self._config
        try:
            self._pins = GpioPins(config.gpio)
        except PinError as error:
            self._no_pins("GPIO", error)
            return set()
        try:
            self._boards.append(GpioLamps(self._pins, config.lamps.pins, config.lamps.active_high))
        except PinError as error:
            self._lack("lamps", DEGRADED, f"no lamps: {error}")
        try:
            pins = {name: SwitchPin(one.pin, one.wiring) for name, one in on_pins(config.switches).items()}
            switches = GpioSwitches(self._pins, pins)
        except PinError as error:
            self._no_pins("foot switch", error)
            return set()
        self._switches.append(switches)
        switches.start(put)
        self._on_pins = switches
        return set(switches.names)

    def _no_pins(self, what: str, error: PinError) -> None:
        """At a desk that is as usual: keys do for them."""
        if self._alone:
            self._lack("switches", DEGRADED, f"no {what}: {error}")
        else:
            self._say(f"no {what}: {error}")

    @staticmethod
    def check_desk() -> None:
        """Raises RigError if there is no terminal to play from."""
        if not (sys.stdin and sys.stdin.isatty()):
            raise RigError("standard input is not a terminal, so there are no keys to play with")

    def _open_desk(self, put: Callable[[Input], None], needed: bool) -> None:
        from ..hardware.desk import DeskKeys, DeskLamps

        try:
            self.check_desk()
        except RigError:
            if needed:
                raise
            self._lack("keys", DEGRADED, "no foot switch: there are neither pins nor a terminal")
            return
        keys = DeskKeys()
        self._say("keys: space tap, d double, h hold, q quit")
        self._switches.append(keys)
        keys.start(put)
        self._desk_lamps = DeskLamps(("I", "IV", "V", "other"))
        self._boards.append(self._desk_lamps)

    def describe(self) -> str:
        """What is in use, in one line."""
        silent = isinstance(self.port, SilentPort)
        pins = f"GPIO by {self._pins.library}" if self._pins and not self._desk_lamps else "no GPIO"
        feet = "".join(f"; foot on {what}" for what in self._pedals)
        return f"synth: {'none' if silent else self.port.name}; {pins}{feet}"

    # ---- playing ----------------------------------------------------------------------

    def light(self, lamp: str, lit: bool) -> None:
        """Switch a lamp on every board."""
        for board in self._boards:
            board.set(lamp, lit)

    def tell(self, to: str, data: bytes) -> None:
        """Send something to others who play along."""
        if side := self._sides.get(to):
            side.send(data)

    def show(self, result: Result, position: Report) -> None:
        """Say at the desk where we are."""
        if self._desk_lamps and isinstance(result, BeatBegan | GestureDone):
            self._desk_lamps.status(status_line(position))

    def missed(self, at: int) -> list[Press | Release]:
        """Edges of the switches on pins that never came, found by reading the pins."""
        return self._on_pins.missed(at) if self._on_pins else []

    def port_changed(self, there: bool) -> bool:
        """The synth has come or gone. True if it is open now and must be set up."""
        # Closing waits for the last notes to get out, and the loop must not.
        threading.Thread(target=self.port.close, name="closing", daemon=True).start()
        self.port = SilentPort()
        if there:
            try:
                self.port = open_port(self._pattern, self._config.synth.api)
            except (PortMissing, MidiMissing):
                there = False  # gone again already; the watcher will tell
        if there:
            self._faults.clear("synth")
        else:
            self._faults.add("synth", CANNOT_SOUND, "the synth is gone")
        return there

    def close(self) -> None:
        """Give everything back, lamps off first."""
        for part in (*self._boards, *self._switches):
            part.close()
        if self._pins:
            self._pins.close()
        for side in self._sides.values():
            side.close()
        if self._clock_in:
            self._clock_in.close()
        self.port.close()
        if self._watcher:
            self._watcher.close()
        if self._child:
            self._child.stop()


def status_line(position: Report) -> str:
    """Where the band is, in a line."""
    if position.state == "stopped":
        return "ready"
    now = f"{position.degree} {position.chord}" if position.chord else "count-in"
    comes = f" -> {position.next_degree} {position.next_chord}" if position.next_chord else ""
    armed = "".join(f" [{what}]" for what in position.armed)
    where = f"chorus {position.chorus} bar {position.bar}.{position.beat}" if position.chorus else "count-in"
    return f"{position.mode} {where}  {now}{comes}{armed}" if position.chorus else f"{where}{comes}"
