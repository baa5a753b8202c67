"""What the box remembers across restarts: tune, key, tempo and mode as of the last chorus end or stop.

A small JSON file, replaced as a whole and written outside the loop. A file that cannot be read, is
cut off, or is of a newer version counts for nothing, and that is said. So does one from before the
settings were changed: then what the player has written there holds.
"""

import json
import threading
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any, NamedTuple

from ..errors import UserError
from ..library.form_files import TEMPO
from ..library.library import NAME, Library
from ..library.settings import Config
from ..library.toml_check import show
from ..music.pitch import parse_key
from ..session.settings import MODES
from .atomic_files import write_whole

VERSION = 1
_LONGEST = 4096
_CLOSE_S = 2.0


class LastState(NamedTuple):
    """Tempo in milli-beats a minute."""

    tune: str
    key: str
    mbpm: int
    mode: str


def written(config: Config) -> list[Any]:
    """What the settings say of these, to see whether they were changed since."""
    return [config.tune, config.key, config.tempo, config.play.mode, config.set, config.routine]


def pack(state: LastState, settings: list[Any]) -> bytes:
    """The content of the file."""
    content = {"version": VERSION, **state._asdict(), "settings": settings}
    return json.dumps(content, ensure_ascii=False).encode() + b"\n"


def unpack(content: bytes) -> tuple[LastState, list[Any]]:
    """The state and the settings of a file. ValueError if there is anything else in it."""
    try:
        said = json.loads(content.decode())
    except (ValueError, RecursionError):
        raise ValueError("is cut off or damaged") from None
    if not isinstance(said, dict) or not isinstance(said.get("version"), int):
        raise ValueError("is damaged")
    if said["version"] > VERSION:
        raise ValueError(f"was written by a newer version of this program (version {show(said['version'])})")
    try:
        state = LastState(**{field: said[field] for field in LastState._fields})
        if not (NAME.fullmatch(state.tune) and state.mode in MODES and type(state.mbpm) is int):
            raise ValueError
        if not TEMPO[0] * 1000 <= state.mbpm <= TEMPO[1] * 1000 or not isinstance(said["settings"], list):
            raise ValueError
        return state._replace(key=str(parse_key(state.key))), said["settings"]
    except (KeyError, TypeError, ValueError, AttributeError):
        raise ValueError("is damaged") from None


def resume(config: Config, path: Path) -> tuple[Config, str | None]:
    """The settings as they were when the box was last used; and, in a line, why not, if there is a fault."""
    try:
        with path.open("rb") as file:
            state, settings = unpack(file.read(_LONGEST))
    except FileNotFoundError:
        return config, None
    except (OSError, ValueError) as error:
        why = error.strerror if isinstance(error, OSError) else error
        return config, f"{path} {why}; starting as the settings say"
    if settings != written(config) or config.set or config.routine:
        return config, None
    try:
        fits = Library(config.sequences).tune(state.tune).key.minor == parse_key(state.key).minor
    except UserError:
        fits = False
    if not fits:
        return config, f"{state.tune} was on last and cannot be played now; starting as the settings say"
    play = replace(config.play, mode=state.mode)
    return replace(config, tune=state.tune, key=state.key, tempo=state.mbpm / 1000, play=play), None


class StateKeeper:
    """Writes the latest state, in a thread; what is overtaken before it is written is left out."""

    def __init__(
        self, path: Path, settings: list[Any], trouble: Callable[[str], None] = lambda text: None
    ) -> None:
        """`settings` are those the box was started with. `trouble` is called once, in the thread."""
        self._path, self._settings, self._trouble = path, settings, trouble
        self._latest: LastState | None = None
        self._handed: LastState | None = None
        self._said = False
        self._changed = threading.Event()
        self._stop = False
        self._thread = threading.Thread(target=self._run, name="state", daemon=True)
        self._thread.start()

    def keep(self, state: LastState) -> None:
        """Remember this. Never waits, never raises; a state that is known costs nothing."""
        if state != self._handed:
            self._handed = self._latest = state
            self._changed.set()

    def close(self) -> None:
        """Write what is waiting; gives a stuck disk two seconds. May be called again."""
        self._stop = True
        self._changed.set()
        self._thread.join(_CLOSE_S)

    def _run(self) -> None:
        while True:
            self._changed.wait()
            self._changed.clear()
            stop = self._stop
            state, self._latest = self._latest, None
            if state is not None:
                self._write(state)
            if stop:
                return

    def _write(self, state: LastState) -> None:
        try:
            self._path.parent.mkdir(parents=True, exist_ok=True)
            write_whole(self._path, pack(state, self._settings))
        except OSError as error:
            if not self._said:
                self._said = True
                self._trouble(f"{self._path} cannot be written: {error.strerror}")
