"""Files that a player writes: settings, and sequences of every kind."""

import random
import tomllib
from collections.abc import Hashable, Iterator
from copy import deepcopy
from pathlib import Path
from typing import Any
from zlib import crc32

from pedal.events import NS_PER_S as S
from pedal.events import Command, Press, Release
from pedal.library.library import FOLDERS, Library, sequences_dir
from pedal.library.settings import Config, load_config
from pedal.library.toml_check import BadFile, Problem, Unknown
from pedal.music.beat import Band
from pedal.music.plan import make_plan
from pedal.service.recovery import salvage_config
from pedal.session.session import Session
from tests.music.playing import played
from tests.simulation.watch import Watch
from tests.support.own import toml

from .format import Format, need, one_line
from .kept import folder_of
from .mutate import Mutator
from .streams import plan_of, quiet_in_the_end

ROOT = Path(__file__).resolve().parents[3]
_ALPHABET = "xX-=ag|1b#75,'> @.()IVivo9"
_STRANGE: tuple[Any, ...] = (
    *(
        None,
        True,
        False,
        0,
        -1,
        1,
        17,
        300,
        2**63,
        -(2**70),
        10**4000,
        0.5,
        1e308,
        float("nan"),
        float("inf"),
    ),
    *(
        "",
        " ",
        "A",
        "Am",
        "C##",
        "H",
        "x" * 300,
        "x" * 5000,
        "\x00",
        "a\nb",
        "~nobody/x",
        "~",
        "/",
        "..",
        "é\u2028",
    ),
    *(
        "twelve-bar-minor",
        "boogie",
        "none",
        "wet-boots",
        "position-down",
        "3/4",
        "12/8",
        "through",
        "vamp",
        "drill",
    ),
    *("I7 (#ivo7)@4", "i7 V9", "1 | 5,", "I7 IV7@2 V7@3", "1 | = | = | >5", "--|-a|==|==", "xx|x-|", "I7@99"),
    *([], [[]], [1], ["I7"] * 65, [1, 5, 9], [80, 2.2], [[80, 2.2], [80, 2.3]], {}, {"x": 1}, {"kick": "x"}),
)


def _spots(values: Any, path: tuple = ()) -> Iterator[tuple]:
    """Every place in nested values."""
    for key, value in values.items() if isinstance(values, dict) else enumerate(values):
        yield (*path, key)
        if isinstance(value, dict | list):
            yield from _spots(value, (*path, key))


def _strange(dice: random.Random) -> Any:
    if dice.random() < 0.7:
        return deepcopy(dice.choice(_STRANGE))  # it may be changed in its turn
    return "".join(dice.choice(_ALPHABET) for _ in range(dice.randrange(24)))


def _odd(values: Any, dice: random.Random) -> Any:
    """The same with something else in one place, or missing there, or doubled, or with another name."""
    path = dice.choice(list(_spots(values)) or [None])
    if path is None:
        return values
    place = values
    for key in path[:-1]:
        place = place[key]
    key, way = path[-1], dice.random()
    if way < 0.15:
        del place[key]
    elif way < 0.25 and isinstance(place, dict):
        place[dice.choice(("kind", "x", f"{key}s", "", "a.b", "title", "é"))] = place.pop(key)
    elif way < 0.35 and isinstance(place[key], list):
        place[key] = place[key] * dice.choice((0, 2, 9))
    else:
        place[key] = _strange(dice)
    return values


class _Toml(Format):
    """Damaged as values or as text."""

    full = 100_000
    slice = 2_000
    longest = 40_000
    tokens = (
        *(b"[", b"]", b"[[", b"]]", b"=", b'"', b'"""', b"#", b"\n", b"\\", b"{", b"}", b",", b"a.b.c = 1\n"),
        *(
            b"[" * 3000,
            b"{a=" * 1000,
            b"a." * 3000,
            b"\xff",
            b"\x00",
            b"\r",
            b"true",
            b"1979-05-27",
            b"\\ud800",
        ),
    )

    def make(self, mutator: Mutator) -> bytes:
        if mutator.dice.random() < 0.4:
            return mutator.make()
        head, text = self.split(mutator.pick())
        try:
            values = tomllib.loads(text.decode())
            for _ in range(mutator.dice.choice((1, 1, 2, 4))):
                values = _odd(values, mutator.dice)
            return head + toml(values).encode("utf-8", "surrogatepass")
        except (ValueError, RecursionError):
            return mutator.make()

    def split(self, data: bytes) -> tuple[bytes, bytes]:
        return b"", data


def _told(problems: list[Problem] | tuple[Problem, ...]) -> Hashable:
    """Every problem is a line. Which kinds there are."""
    for problem in problems[:50]:
        one_line(problem, 2_000)
    return tuple(sorted({problem.rule[:30] for problem in problems}))[:4]


class Settings(_Toml):
    """`pedal.toml`: told, or taken and played with; and what is right of it whenever nobody is there."""

    name = "settings"

    def __init__(self) -> None:
        super().__init__()
        self._path = folder_of(self) / "pedal.toml"

    def seeds(self) -> list[bytes]:
        shipped = (ROOT / "systemd" / "pedal.toml").read_text()
        lines = [
            line.removeprefix("#") if line.startswith("#") and " " not in line[:2] else line
            for line in shipped.splitlines()
        ]
        return [_EVERYTHING.encode(), shipped.encode(), "\n".join(lines).encode(), b""]

    def feed(self, data: bytes) -> Hashable:
        self._path.write_bytes(data)
        config, problems = salvage_config(self._path)
        need(isinstance(config, Config), "no settings")
        try:
            config = load_config(self._path)
        except BadFile as bad:
            need(bad.problems, "a bad file without a problem")
            if crc32(data) % 16 == 0:
                self._play(config)
            return _told(bad.problems)
        need(not problems, "salvaged what was right:", problems)
        self._play(config)
        return config.play.mode, len(config.switches), config.company, config.gpio

    @staticmethod
    def _play(config: Config) -> None:
        session = Session(plan_of("wet-boots"), config.session, config.play.seed, 0, config.foot)
        watch = Watch(session)
        for at, kind in ((S, Press), (S + S // 10, Release), (4 * S, Press), (5 * S, Release)):
            watch.check(session.take(at))
            session.handle(kind(at))
        watch.saw(Command(5 * S, "stop"))
        session.handle(Command(5 * S, "stop"))
        quiet_in_the_end(session, watch, 6 * S)


class Sequences(_Toml):
    """Sequence files of every kind in a player's folder. The first line says which: `# forms/name`."""

    name = "sequences"
    slice = 1_000

    def __init__(self) -> None:
        super().__init__()
        self._own = folder_of(self)
        for folder in set(FOLDERS.values()):
            (self._own / folder).mkdir()
        self._shipped: dict[Path, Any] = {}
        library = Library()
        for kind in FOLDERS:
            for name in library.names(kind):
                if kind != "tune":
                    getattr(library, kind)(name)
        self._shipped = {path: read for path, read in library._read.items() if path.parent.name != "tunes"}

    def seeds(self) -> list[bytes]:
        paths = sorted(sequences_dir().glob("*/*.toml"))
        return [f"# {path.parent.name}/{path.stem}\n".encode() + path.read_bytes() for path in paths]

    def split(self, data: bytes) -> tuple[bytes, bytes]:
        head, end, text = data.partition(b"\n")
        return head + end, text

    def feed(self, data: bytes) -> Hashable:
        head, text = self.split(data)
        folder, _, name = head.decode(errors="replace").strip("# \r").partition("/")
        if folder not in FOLDERS.values() or not name.replace("-", "").isalnum() or not name.isascii():
            folder, name = "tunes", "wet-boots"
        path = self._own / folder / f"{name[:40].lower()}.toml"
        path.write_bytes(text)
        try:
            return folder, self._use(path, folder, crc32(data))
        finally:
            path.unlink()

    def _use(self, path: Path, folder: str, lot: int) -> Hashable:
        library = Library(self._own)
        library._read |= self._shipped
        problems = library.check(path)
        told = _told(problems)
        need(all(problem.file for problem in problems), "a problem without a file")
        kinds = [kind for kind, where in FOLDERS.items() if where == folder and library._is(kind, path.stem)]
        for kind in kinds:
            try:
                getattr(library, kind)(path.stem)
                need(not problems or len(kinds) > 1, "taken in spite of", problems)
            except BadFile as bad:
                need(problems or len(kinds) > 1, "refused, and nothing was told:", bad)
                _told(bad.problems)
        if not problems and lot % 4 == 0:
            self._play(library, lot)
        return told

    @staticmethod
    def _play(library: Library, lot: int) -> None:
        """A tune that may use the file; most tunes use one of the shipped ones of the same name."""
        names = library.names("tune")
        try:
            tune = library.tune(names[lot // 4 % len(names)])
        except (BadFile, Unknown) as error:
            for line in str(error).splitlines():
                one_line(line, 2_000)
            return
        plan = make_plan(tune)
        for last in (False, True):
            for _, notes in played(plan, Band(seed=1), last=last):
                need(all(0 <= note.key <= 127 and note.tick < note.end for note in notes), "no notes:", notes)


_EVERYTHING = """
tune = "wet-boots"
key = "A"
tempo = 112
set = "shed-night"
sequences = "/tmp"
[play]
mode = "vamp"
step = "change"
use = "band"
guide = "fading"
ramp = 2.5
ceiling = 140
mark = "clean"
swing = 0.1
strict = true
seed = 7
[synth]
port = "synth"
api = "alsa"
gain = 0.5
latency_ms = 12
wire = "din"
[bass]
strings = 4
tuning = [28, 33, 38, 43]
frets = 20
scale_mm = 864
open_strings = "avoid"
span_mm = 100
[gpio]
factory = "mock"
board = "pi4"
[control]
group = "pedal"
[clock]
out = "drum machine"
in = "drum machine"
[follow]
out = "lamps"
in = "leader"
[switches.main]
pin = 17
wiring = "latching"
[switches.second]
source = "midi"
port = "foot"
controller = 64
channel = 3
[switches.third]
source = "usb"
device = "footswitch"
key = "b"
[foot]
preset = "two"
[foot.vamp.main]
hold = "stop"
tap = "cue"
[lamps]
I = 5
IV = 6
V = 13
other = 19
active_high = false
[lamps.led]
forward_v = 2.0
resistor_ohm = 470
V = { forward_v = 3.0, resistor_ohm = 100 }
"""
