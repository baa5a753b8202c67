"""Settings: `pedal.toml` read into frozen values, every mistake of the file found at once.

Everything may be left out; what then holds is written beside each field below.

    tune = "wet-boots"
    sequences = "~/sequences"          # a path is taken from the settings file's own folder
    [play]
    mode = "vamp"
    guide = "off"                      # you play the bass
    [switches.second]
    pin = 27
    [lamps]
    I = 5
"""

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from ..events import LAMPS, NS_PER_MS
from ..hardware.gpio_pins import FACTORIES, Pin
from ..hardware.lamp import LampBackend
from ..hardware.lamp_gpio import LampPins
from ..hardware.port import PortBackend
from ..hardware.registry import LAMPS as LAMP_BACKENDS
from ..hardware.registry import PORTS, lamp_backend, port_backend
from ..hardware.switch import SwitchBackend
from ..music.neck.fingerboard import FOUR, Instrument
from ..music.pitch import parse_key
from ..music.plan import STEP_KINDS
from ..session.beat_context import GUIDES
from ..session.foot_map import PRESETS, FootMap
from ..session.settings import MODES, SessionSettings
from .form_files import TEMPO
from .library import NAME
from .own_keys import OwnKeys
from .settings_bass import read_bass
from .settings_foot import read_foot
from .settings_leds import BOARDS, Led, read_leds
from .settings_switches import USUAL, read_switches
from .settings_sync import SyncSettings, read_sync
from .toml_check import (
    BadFile,
    Problem,
    Problems,
    Table,
    Wrong,
    flag,
    number,
    one_of,
    read_toml,
    text,
    texts,
    whole,
)

SEEDS = 2**31 - 1


@dataclass(frozen=True, slots=True)
class PlaySettings:
    """`[play]`: `mode` is `through`, `vamp` or `drill`, `step` what a vamp stays on.

    `use` is `practice` or `band` (there a flag is only noted). `guide` is how the box plays the
    bass: `on`, `off`, `alternate` choruses, `fading`. Every chorus is faster by `ramp` percent, up
    to `ceiling` beats a minute. `mark` is what the foot marks in a drill. `swing` is added to
    the feel's. `strict`: no human variation.
    """

    mode: str = "through"
    step: str = "change"
    use: str = "practice"
    guide: str = "on"
    ramp: float = 0.0
    ceiling: float = TEMPO[1]
    mark: str = "missed"
    swing: float = 0.0
    strict: bool = False
    seed: int = 1


@dataclass(frozen=True, slots=True)
class SynthSettings:
    """`[synth]`: `port` is part of the output's name, empty for the first that fits.

    `soundfont` is for the synth that the box starts itself, None to look where soundfonts usually are.
    `gain` is that synth's, `latency_ms` its delay in ms, for which the lamps wait. `wire` is
    `usb`, or `din` where a byte takes 320 µs. `own` is for a backend that has keys of its own.
    """

    port: str = ""
    api: str = "auto"
    soundfont: Path | None = None
    gain: float = 0.5
    latency_ms: float = 0.0
    wire: str = "usb"
    own: PortBackend | None = None

    @property
    def backend(self) -> PortBackend:
        """The way to the synth that `api` names."""
        return self.own or port_backend(self.api)()


@dataclass(frozen=True, slots=True)
class LampSettings:
    """`[lamps]`: what they hang on. `backend` is the one of that name, with its own keys; GPIO by default.

    `leds` (`[lamps.led]`) is what sits on pins, for `pedal check` to work out the currents.
    """

    backend: LampBackend = field(default_factory=LampPins)
    leds: Mapping[str, Led] = field(default_factory=dict)

    @property
    def pins(self) -> Mapping[str, Pin]:
        """The GPIO of each lamp that sits on one."""
        return self.backend.on_pins()


@dataclass(frozen=True, slots=True)
class Config:
    """All settings. `key` and `tempo` are None to play the tune as it is written.

    There is always a switch called `main`, on GPIO 17 unless the file says otherwise. `board` is
    what `[gpio]` says this is, None to find out. `control_group` (`[control] group`) may use the
    control socket, None for the group that the box runs as. `sync` is who plays along.
    """

    tune: str = "wet-boots"
    key: str | None = None
    tempo: float | None = None
    sequences: Path | None = None
    play: PlaySettings = PlaySettings()
    synth: SynthSettings = SynthSettings()
    gpio: str = "lgpio"
    board: str | None = None
    switches: Mapping[str, SwitchBackend] = field(default_factory=lambda: dict(USUAL))
    lamps: LampSettings = field(default_factory=LampSettings)
    set: str | None = None
    routine: str | None = None
    foot: FootMap = field(default_factory=lambda: PRESETS["one"])
    control_group: str | None = None
    bass: Instrument = FOUR
    sync: SyncSettings = field(default_factory=SyncSettings)

    @property
    def session(self) -> SessionSettings:
        """What the Session needs of this."""
        play = self.play
        return SessionSettings(
            mode=play.mode,
            step=play.step,
            use=play.use,
            guide=play.guide,
            ramp=round(play.ramp * 10),
            ceiling_mbpm=round(play.ceiling * 1000),
            mark=play.mark,
            latency_ns=round(self.synth.latency_ms * NS_PER_MS),
            swing=play.swing,
            strict=play.strict,
            clock_out=self.sync.clock_out is not None,
            follow_out=self.sync.follow_out is not None,
        )


def load_config(path: Path | str | None = None) -> Config:
    """Read a settings file; without one, what holds when nothing is set.

    BadFile, with every problem, if it cannot be read or has mistakes in it.
    """
    if path is None:
        return Config()
    path = Path(path)
    problems = Problems()
    table = read_toml(path, str(path), problems)
    config = read_config(table, path.parent) if table else Config()
    problems.stop()
    return config


def check_config(path: Path | str) -> list[Problem]:
    """The problems of a settings file."""
    try:
        load_config(path)
    except BadFile as error:
        return list(error.problems)
    return []


def read_config(table: Table, folder: Path) -> Config:
    """The settings of a table; its problems are noted there. Paths are taken from `folder`."""
    usual = Config()

    def a_folder(value: Any) -> Path:
        return _there(_path(folder, value), Path.is_dir, "is no folder")

    def a_file(value: Any) -> Path:
        return _there(_path(folder, value), Path.is_file, "is no file")

    read = dict(
        tune=table.get("tune", _name, usual.tune),
        key=table.get("key", texts(lambda value: str(parse_key(value))), None),
        tempo=table.get("tempo", number(*TEMPO), None),
        sequences=table.get("sequences", a_folder, None),
        play=_play(table.table("play")),
        synth=_synth(table.table("synth"), a_file),
        **_gpio(table.table("gpio")),
        switches=(found := read_switches(table.table("switches"))).switches,
        lamps=_lamps(table.table("lamps")),
        set=table.get("set", _name, None),
        routine=table.get("routine", _name, None),
        foot=read_foot(table.table("foot"), found.names),
        control_group=_control(table.table("control")),
        bass=read_bass(table.table("bass")),
        sync=read_sync(table.table("clock"), table.table("follow")),
    )
    table.close()
    if read["set"] and read["routine"]:
        table.wrong("routine", "there is a set as well, and only one of them can say what is played")
    _check_pins(table, read["switches"], read["lamps"])
    return Config(**read)


def _path(folder: Path, value: Any) -> Path:
    try:
        return folder / Path(text(value)).expanduser()
    except RuntimeError:  # ~somebody who has no home
        raise Wrong("is in the home of somebody unknown") from None


def _there(path: Path, look: Callable[[Path], bool], otherwise: str) -> Path:
    try:
        if not look(path):
            raise Wrong(otherwise)
    except OSError as reason:  # too long a name, a folder that may not be looked into
        raise Wrong(f"cannot be looked at: {reason.strerror}") from None
    return path


def _name(value: Any) -> str:
    if not NAME.fullmatch(text(value)):
        raise Wrong("must be a name of small letters, digits and hyphens")
    return value


def _play(table: Table) -> PlaySettings:
    usual = PlaySettings()
    play = PlaySettings(
        mode=table.get("mode", one_of(*MODES), usual.mode),
        step=table.get("step", one_of(*STEP_KINDS), usual.step),
        use=table.get("use", one_of("practice", "band"), usual.use),
        guide=table.get("guide", one_of(*GUIDES), usual.guide),
        ramp=table.get("ramp", number(0, 20), usual.ramp),
        ceiling=table.get("ceiling", number(*TEMPO), usual.ceiling),
        mark=table.get("mark", one_of("missed", "clean"), usual.mark),
        swing=table.get("swing", number(-0.5, 1.0), usual.swing),
        strict=table.get("strict", flag, usual.strict),
        seed=table.get("seed", whole(0, SEEDS), usual.seed),
    )
    table.close()
    return play


def _synth(table: Table, a_file: Any) -> SynthSettings:
    usual = SynthSettings()
    api = table.get("api", one_of(*PORTS), usual.api)
    synth = SynthSettings(
        port=table.get("port", text, usual.port),
        api=api,
        soundfont=table.get("soundfont", a_file, usual.soundfont),
        gain=table.get("gain", number(0.1, 2), usual.gain),
        latency_ms=table.get("latency_ms", number(0, 500), usual.latency_ms),
        wire=table.get("wire", one_of("usb", "din"), usual.wire),
        own=port_backend(api).read(OwnKeys(table)) if api else None,
    )
    table.close()
    return synth


def _gpio(table: Table) -> dict[str, Any]:
    factory = table.get("factory", one_of(*FACTORIES), Config().gpio)
    board = table.get("board", one_of(*BOARDS), None)
    table.close()
    return {"gpio": factory, "board": board}


def _control(table: Table) -> str | None:
    group = table.get("group", text, None)
    table.close()
    return group


def _lamps(table: Table) -> LampSettings:
    name = table.get("backend", one_of(*LAMP_BACKENDS), "gpio")
    if name is None:
        return LampSettings()  # whose the other keys are is not known
    backend = lamp_backend(name).read(OwnKeys(table), LAMPS)
    leds = read_leds(table.table("led"), LAMPS)
    table.close()
    return LampSettings(backend, leds) if backend else LampSettings()


def _check_pins(table: Table, switches: Mapping[str, SwitchBackend], lamps: LampSettings) -> None:
    """Two things on one GPIO: at best neither works, at worst an output drives a switch to ground."""
    uses: list[tuple[tuple[str, ...], Pin | None]] = [
        *((("switches", name, "pin"), switch.on_pin()) for name, switch in switches.items()),
        *((("lamps", lamp), pin) for lamp, pin in lamps.pins.items()),
    ]
    first: dict[Pin, tuple[str, ...]] = {}
    for key, pin in uses:
        if pin is None:
            continue
        if pin in first:
            table.wrong(key, f"{'.'.join(first[pin])} is on the same pin", value=pin)
        else:
            first[pin] = key
