"""Which hardware there is, and making do without what there is not."""

import threading
from collections.abc import Callable

from ..events import (
    BeatBegan,
    ClockIn,
    CommandDone,
    GestureDone,
    Input,
    Notice,
    Press,
    Release,
    Result,
    Stopped,
)
from ..hardware.box import Box
from ..hardware.clock import RealClock
from ..hardware.desk import DeskKeys, TerminalLamps, check_terminal
from ..hardware.errors import MidiMissing, PinError, PortMissing, RigError, SynthError, TerminalError
from ..hardware.lamp import LampBoard
from ..hardware.midi_input import MidiInput
from ..hardware.port import SynthPort, match_port
from ..hardware.port_rtmidi import load_midi
from ..hardware.port_side import SidePort
from ..hardware.port_silent import SilentPort
from ..hardware.port_watch import PortWatcher
from ..hardware.switch import SwitchSource
from ..hardware.synth import SynthChild, find_soundfont
from ..library.settings import Config
from ..session.report import Report, line_of
from ..session.session import Session
from .faults import CANNOT_SOUND, DEGRADED, Faults
from .foot_switches import FootDevice, devices_of

Put = Callable[[Input | Notice], None]
"""`Inbox.put`: takes an event from any thread; never raises, never waits."""


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
        self._box = Box(config.gpio, config.synth.backend.midi_api)
        self._devices = list(devices_of(config.switches))
        self._switches: list[SwitchSource] = []
        self._pedals: list[str] = []
        self._boards: list[LampBoard] = []
        self._desk_lamps: LampBoard | None = None
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
            backend = synth.backend.found()
            found = match_port(self._pattern, backend.names())
        except MidiMissing:
            return  # told when the port is opened
        if found or not backend.synth_api:
            return
        if not SynthChild.find():
            self._say("FluidSynth is not installed either")
            return
        try:
            soundfont = find_soundfont(str(synth.soundfont) if synth.soundfont else None)
            self._child = SynthChild.start(soundfont, backend.synth_api, synth.gain)
            ports = backend.listing()

            def names() -> list[str]:
                check()
                return ports.names()

            try:
                self._pattern = self._child.wait_ready(names)
            finally:
                ports.close()
        except SynthError as error:
            self._say(str(error))
            self._child = None

    def load(self, desk: bool) -> None:
        """Import what `open` is going to use: with real-time priority that would take too long."""
        load_midi()  # those who play along need it, whatever leads to the synth
        self._config.synth.backend.load()
        for device in self._devices:
            if not (desk and device.on_pins):
                device.load(self._box)
        if self._wants_lamps(desk):
            self._config.lamps.backend.load(self._box)

    def open(self, put: Put, desk: bool) -> None:
        """Open port, pins and keys. What is missing is said; only `desk` without a terminal is an error."""
        self._open_port(put)
        self._open_partners(put)
        switches: set[str] = set()
        for device in self._devices:
            if not device.on_pins:
                switches |= self._open_pedal(device, put)
        pins = not desk and self._wants_pins and self._open_pins()
        if self._wants_lamps(desk) and (pins or not self._config.lamps.pins):
            self._open_lamps()
        for device in self._devices:
            if device.on_pins and pins:
                switches |= self._open_foot(device, put)
        if desk or "main" not in switches:
            self._open_desk(put, desk)

    def _open_port(self, put: Put) -> None:
        backend, known = self._config.synth.backend, None
        try:
            backend = backend.found()
            self.port = backend.open(self._pattern)
            known = self.port.name
        except PortMissing as error:
            self._lack("synth", CANNOT_SOUND, f"{error}; playing without sound until it comes")
        except MidiMissing as error:
            self._lack("synth", CANNOT_SOUND, f"no MIDI: {error}; playing without sound")
            later = backend.later()
            if later is None:
                return
            backend = later
        self._watcher = PortWatcher(
            self._pattern, backend, put, self._clock, known=known, connected=backend.is_connected
        )

    def _open_partners(self, put: Put) -> None:
        """Ports to and from those who play along; they may come and go."""
        sync, api = self._config.sync, self._box.midi_api
        outputs = {"clock": sync.clock_out, "follow": sync.follow_out}
        try:
            for name, pattern in outputs.items():
                if pattern:
                    self._sides[name] = SidePort(pattern, f"pedal-{name}", self._say, self._clock, api)
            if sync.clock_in:
                self._clock_in = MidiInput(
                    sync.clock_in,
                    lambda at, data: put(ClockIn(at, data)),
                    self._say,
                    api,
                    "pedal-clock-in",
                )
                self._clock_in.start()
        except MidiMissing as error:
            self._lack("sync", DEGRADED, f"no MIDI for those who play along: {error}")

    def _lack(self, cause: str, kind: str, what: str) -> None:
        self._say(what)
        self._faults.add(cause, kind, what)

    @property
    def _wants_pins(self) -> bool:
        return bool(self._config.lamps.pins) or any(device.on_pins for device in self._devices)

    def _wants_lamps(self, desk: bool) -> bool:
        lamps = self._config.lamps
        return bool(lamps.backend.lamps()) and not (desk and lamps.pins)

    def _open_pedal(self, device: FootDevice, put: Put) -> set[str]:
        """Open a foot controller or a USB pedal. Returns the names of its switches if they work."""
        try:
            names = self._start(device, put)
        except RigError as error:
            self._lack(f"switches {device.what}", DEGRADED, f"no {device.what} foot switch: {error}")
            return set()
        self._pedals.append(device.what)
        return names

    def _open_foot(self, device: FootDevice, put: Put) -> set[str]:
        """Open the switches on pins. Returns their names if they work."""
        try:
            return self._start(device, put)
        except RigError as error:
            self._no_pins("foot switch", error)
            return set()

    def _start(self, device: FootDevice, put: Put) -> set[str]:
        source = device.open(self._box)
        try:
            source.start(put)
        except RigError:
            source.close()
            raise
        self._switches.append(source)
        return set(source.names)

    def _open_pins(self) -> bool:
        """Whether there are pins. Lamps and switches do without each other, but not without these."""
        try:
            self._box.pins()
        except PinError as error:
            self._no_pins("GPIO", error)
            return False
        return True

    def _open_lamps(self) -> None:
        try:
            self._boards.append(self._config.lamps.backend.open(self._box))
        except RigError as error:
            self._lack("lamps", DEGRADED, f"no lamps: {error}")

    def _no_pins(self, what: str, error: RigError) -> None:
        """At a desk that is as usual: keys do for them."""
        if self._alone:
            self._lack("switches", DEGRADED, f"no {what}: {error}")
        else:
            self._say(f"no {what}: {error}")

    @staticmethod
    def check_desk() -> None:
        """Raises TerminalError if there is no terminal to play from."""
        check_terminal()

    def _open_desk(self, put: Put, needed: bool) -> None:
        try:
            keys = DeskKeys()
            self._say("keys: space tap, d double, h hold, q quit")
            keys.start(put)
        except TerminalError:
            if needed:
                raise
            self._lack("keys", DEGRADED, "no foot switch: there are neither pins nor a terminal")
            return
        self._switches.append(keys)
        lamps = TerminalLamps()
        if self._config.lamps.backend == lamps:
            self._desk_lamps = self._boards[-1]
        else:
            self._desk_lamps = lamps.open(self._box)
            self._boards.append(self._desk_lamps)

    def describe(self) -> str:
        """What is in use, in one line."""
        silent = isinstance(self.port, SilentPort)
        library = None if self._desk_lamps else self._box.library
        pins = f"GPIO by {library}" if library else "no GPIO"
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

    def show(self, result: Result, session: Session) -> None:
        """Say at the desk where we are."""
        if self._desk_lamps and isinstance(result, BeatBegan | GestureDone | CommandDone | Stopped):
            self._desk_lamps.status(_desk_line(session.report))

    def missed(self, at: int) -> list[Press | Release]:
        """Edges of switches that never came, found by reading them at `at` (monotonic ns)."""
        return [edge for source in self._switches for edge in source.missed(at)]

    def port_changed(self, there: bool) -> bool:
        """The synth has come or gone. True if it is open now and must be set up."""
        # Closing waits for the last notes to get out, and the loop must not.
        threading.Thread(target=self.port.close, name="closing", daemon=True).start()
        self.port = SilentPort()
        if there:
            try:
                self.port = self._config.synth.backend.open(self._pattern)
            except (PortMissing, MidiMissing):
                there = False  # gone again already; the watcher will tell
        if there:
            self._faults.clear("synth")
        else:
            self._faults.add("synth", CANNOT_SOUND, "the synth is gone")
        return there

    def close(self) -> None:
        """Give everything back, lamps off first."""
        for board in self._boards:
            board.close()
        for source in self._switches:
            source.close()
        self._box.close()
        for side in self._sides.values():
            side.close()
        if self._clock_in:
            self._clock_in.close()
        self.port.close()
        if self._watcher:
            self._watcher.close()
        if self._child:
            self._child.stop()


def _desk_line(report: Report) -> str:
    """The mode, too: who plays at a desk has no other place to see it."""
    return f"{report.mode} {line_of(report)}" if report.chorus and not report.drill else line_of(report)
