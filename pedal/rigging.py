"""Which hardware there is, and making do without what there is not."""

import sys
import threading
from collections.abc import Callable

from .config import Config
from .events import Input, Mark
from .leader.position import Position
from .rig.clock import RealClock
from .rig.errors import MidiMissing, PinError, PortMissing, RigError, SynthError
from .rig.lamp import LampBoard
from .rig.port import SynthPort
from .rig.port_rtmidi import PortList, list_ports, load_midi, open_port, pick_api
from .rig.port_silent import SilentPort
from .rig.switch import SwitchSource
from .rig.synth import SynthChild, find_soundfont
from .rig.watch import PortWatcher

_NOT_SYNTHS = ("midi through", "pedal")  # ALSA's loop-back, and our own clients


class Rig:
    """The synth port, switches and lamps of this box, or of this desk."""

    def __init__(self, config: Config, clock: RealClock, say: Callable[[str], None]) -> None:
        self.port: SynthPort = SilentPort()
        self._config = config
        self._clock = clock
        self._say = say
        self._pattern = config.synth.port
        self._child: SynthChild | None = None
        self._watcher: PortWatcher | None = None
        self._switches: list[SwitchSource] = []
        self._boards: list[LampBoard] = []
        self._pins = None
        self._desk_lamps = None

    # ---- getting ready ----------------------------------------------------------------

    def start_children(self) -> None:
        """Start a synth of our own if no port was named and none is there. Before any thread."""
        synth = self._config.synth
        if self._pattern:
            return
        try:
            api = pick_api(synth.api)
            found = _first_synth(list_ports(api))
        except MidiMissing as error:
            self._say(f"no MIDI: {error}; playing without sound")
            return
        if found:
            self._pattern = found
            return
        if not SynthChild.find():
            self._say("no synth is connected, nor is FluidSynth installed; playing without sound")
            return
        soundfont = find_soundfont(str(synth.soundfont) if synth.soundfont else None)
        try:
            self._child = SynthChild.start(soundfont, api, synth.gain)
            ports = PortList(api)
            try:
                self._pattern = self._child.wait_ready(ports.names)
            finally:
                ports.close()
        except SynthError as error:
            self._say(f"{error}; playing without sound")
            self._child = None

    def load(self, desk: bool) -> None:
        """Import what `open` is going to use: with real-time priority that would take too long."""
        load_midi()
        if not desk:
            from .rig.gpio_pins import load_library

            load_library(self._config.gpio)

    def open(self, put: Callable[[Input], None], desk: bool) -> None:
        """Open port, pins and keys. What is missing is said; only `desk` without a terminal is an error."""
        self._open_port(put)
        if desk or not self._open_pins(put):
            self._open_desk(put, desk)

    def _open_port(self, put: Callable[[Input], None]) -> None:
        if not self._pattern:
            return
        api = self._config.synth.api
        try:
            self.port = open_port(self._pattern, api)
        except PortMissing as error:
            self._say(f"{error}; playing without sound until it comes")
        except MidiMissing as error:
            self._say(f"no MIDI: {error}; playing without sound")
            return
        known = None if isinstance(self.port, SilentPort) else self.port.name
        self._watcher = PortWatcher(self._pattern, pick_api(api), put, self._clock, known=known)

    def _open_pins(self, put: Callable[[Input], None]) -> bool:
        """True if there is a foot switch on a pin now. Lamps and switches do without each other."""
        from .rig.gpio import GpioSwitches, SwitchPin
        from .rig.gpio_lamps import GpioLamps
        from .rig.gpio_pins import GpioPins

        config = self._config
        try:
            self._pins = GpioPins(config.gpio)
        except PinError as error:
            self._say(f"no GPIO: {error}")
            return False
        try:
            self._boards.append(GpioLamps(self._pins, config.lamps.pins, config.lamps.active_high))
        except PinError as error:
            self._say(f"no lamps: {error}")
        try:
            pins = {name: SwitchPin(switch.pin, switch.wiring) for name, switch in config.switches.items()}
            switches = GpioSwitches(self._pins, pins)
        except PinError as error:
            self._say(f"no foot switch: {error}")
            return False
        self._switches.append(switches)
        switches.start(put)
        return True

    @staticmethod
    def check_desk() -> None:
        """Raises RigError if there is no terminal to play from."""
        if not (sys.stdin and sys.stdin.isatty()):
            raise RigError("standard input is not a terminal, so there are no keys to play with")

    def _open_desk(self, put: Callable[[Input], None], needed: bool) -> None:
        from .rig.desk import DeskKeys, DeskLamps

        try:
            self.check_desk()
        except RigError:
            if needed:
                raise
            self._say("no foot switch: there are neither pins nor a terminal")
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
        return f"synth: {'none' if silent else self.port.name}; {pins}"

    # ---- playing ----------------------------------------------------------------------

    def light(self, lamp: str, lit: bool) -> None:
        """Switch a lamp on every board."""
        for board in self._boards:
            board.set(lamp, lit)

    def show(self, mark: Mark, position: Position) -> None:
        """Say at the desk where we are."""
        if self._desk_lamps and mark.kind in ("position", "gesture"):
            self._desk_lamps.status(status_line(position))

    def port_changed(self, there: bool) -> bool:
        """The synth has come or gone. True if it is open now and must be set up."""
        # Closing waits for the last notes to get out, and the loop must not.
        threading.Thread(target=self.port.close, name="closing", daemon=True).start()
        self.port = SilentPort()
        if not there:
            return False
        try:
            self.port = open_port(self._pattern, self._config.synth.api)
        except (PortMissing, MidiMissing):
            return False  # gone again already; the watcher will tell
        return True

    def close(self) -> None:
        """Give everything back, lamps off."""
        if self._watcher:
            self._watcher.close()
        for part in (*self._switches, *self._boards):
            part.close()
        if self._pins:
            self._pins.close()
        self.port.close()
        if self._child:
            self._child.stop()


def status_line(position: Position) -> str:
    """Where the band is, in a line."""
    if position.state == "stopped":
        return "ready"
    now = f"{position.degree} {position.chord}" if position.chord else "count-in"
    comes = f" -> {position.next_degree} {position.next_chord}" if position.next_chord else ""
    armed = "".join(f" [{what}]" for what in position.armed)
    where = f"chorus {position.chorus} bar {position.bar}.{position.beat}" if position.chorus else "count-in"
    return f"{position.mode} {where}  {now}{comes}{armed}" if position.chorus else f"{where}{comes}"


def _first_synth(names: list[str]) -> str | None:
    return next((name for name in names if not name.casefold().startswith(_NOT_SYNTHS)), None)
