"""`pedal handout`: what a student takes home, from one tune, in any keys.

Every file is written whole: a run that is interrupted leaves the files that are done and no half
one. What cannot be made is said once, and the rest is made.
"""

import argparse
import signal
import sys
import tempfile
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from functools import partial
from pathlib import Path

from ..errors import BadValue, FileError, file_errors
from ..export.audio import VERSIONS, Sounder, version_midi
from ..export.transposed import READERS, read_by
from ..hardware.errors import SynthError
from ..library.action_values import read_key
from ..library.library import Library
from ..library.plans import plan_for
from ..library.settings import Config
from ..music.pitch import MAJOR_KEYS, MINOR_KEYS, Key, parse_key
from ..music.plan import Plan
from ..service.atomic_files import write_whole
from .exit_status import FAILED, OK, PARTIAL
from .options import choruses_of, load
from .progress import Progress

KINDS = ("chart", "tab", "notation", "midi", "audio", "sheet")

Made = Callable[[], bytes]


@dataclass(frozen=True, slots=True)
class Wishes:
    """What to make: `keys` as written (none: the tune's own), `only` some of KINDS."""

    keys: tuple[str, ...] = ()
    all_keys: bool = False
    choruses: int | None = None
    only: tuple[str, ...] = KINDS
    force: bool = False
    score: bool = False


class _Told:
    """What goes to the terminal: how far it is, each file that is written, each trouble once."""

    def __init__(self) -> None:
        self.progress = Progress()
        self._troubles: list[str] = []
        self._made = 0

    @property
    def status(self) -> int:
        """The exit status: done, done only in part, or failed."""
        return OK if not self._troubles else PARTIAL if self._made else FAILED

    def trouble(self, text: str) -> None:
        if text not in self._troubles:
            self._troubles.append(text)
            self.progress.clear()
            print(f"pedal: {text}", file=sys.stderr)

    def wrote(self, path: Path) -> None:
        self._made += 1
        self.progress.clear()
        print(f"wrote {path}", flush=True)


def run(config: Config, to: Path, wishes: Wishes) -> int:
    """Make everything. Returns the exit status: whether all was made, or some, or nothing.

    Unknown and BadFile for a tune that cannot be read; BadValue for a wish that nobody can meet; FileError
    if there can be no such folder.
    """
    with file_errors(f"{str(to)!r} cannot be written"):
        if to.is_file():
            raise FileError(f"--to {to}: is a file, not a folder")
    library = Library(config.sequences)
    tune = library.tune(config.tune)
    choruses = choruses_of(wishes.choruses, tune.choruses)
    told = _Told()
    with _ended_tidily():
        keys = _keys(wishes, tune.key, told)
        for number, key in enumerate(keys, 1):
            told.progress.note(f"{tune.title} in {key} ({number} of {len(keys)})")
            try:
                plan = plan_for(library, config.tune, str(key), config.tempo, config.bass)
            except BadValue as error:  # a minor key for a major tune
                told.trouble(str(error))
                continue
            folder = to / file_key(key) if len(keys) > 1 else to
            if not _write_all(config, plan, choruses, folder, wishes, told):
                break
    told.progress.clear()
    return told.status


def file_key(key: Key) -> str:
    """A key as part of a file's name: `A`, `B-flat`, `F-sharp-minor`."""
    name = str(key.tonic).replace("♭", "-flat").replace("♯", "-sharp")
    return f"{name}-minor" if key.minor else name


def _keys(wishes: Wishes, own: Key, told: _Told) -> list[Key]:
    usual = MINOR_KEYS if own.minor else MAJOR_KEYS
    keys = [parse_key(name) for name in usual] if wishes.all_keys else []
    for name in wishes.keys:
        try:
            keys.append(read_key(name))
        except BadValue as error:
            told.trouble(str(error))
    return list(dict.fromkeys(keys)) if keys or wishes.keys else [own]


def _write_all(config: Config, plan: Plan, choruses: int, folder: Path, wishes: Wishes, told: _Told) -> bool:
    """All files of a key. False if the folder cannot be written: then there is no use in going on."""
    try:
        folder.mkdir(parents=True, exist_ok=True)
        _write_in(config, plan, choruses, folder, wishes, told)
    except OSError as error:
        told.trouble(f"{str(folder)!r} cannot be written: {error.strerror or error}")
        return False
    return True


def _write_in(config: Config, plan: Plan, choruses: int, folder: Path, wishes: Wishes, told: _Told) -> None:
    stem = f"{plan.tune.name}-{file_key(plan.key)}"

    def note(text: str) -> None:
        told.progress.note(f"{plan.key}: {text}")

    def free(name: str) -> bool:
        """Whether a file may be written; one that is there is somebody's."""
        taken = (folder / name).exists() and not wishes.force
        if taken:
            told.trouble(f"{str(folder / name)!r} is there already; --force writes over it")
        return not taken

    def put(write: Callable[[Path], object], name: str) -> None:
        try:
            write(folder / name)
        except IsADirectoryError:
            told.trouble(f"{str(folder / name)!r} is a folder")
        else:
            told.wrote(folder / name)

    for kind in KINDS:
        if kind not in wishes.only or kind == "audio":
            continue
        for suffix, make in _files(config, plan, choruses, kind, wishes.score, told):
            name = f"{stem}{suffix}"
            if free(name):
                note(name)
                try:
                    content = make()
                except BadValue as error:  # a rhythm that nobody can write down
                    told.trouble(f"{name}: {error}")
                    continue
                put(partial(write_whole, content=content), name)
    if "audio" in wishes.only:
        names = {version: f"{stem}{version.suffix}.wav" for version in VERSIONS}
        wanted = [version for version in VERSIONS if free(names[version])]
        try:
            # Sound is too large to be held in memory: it is made beside its place and moved there.
            with tempfile.TemporaryDirectory(dir=folder, prefix=".making-") as making:
                sounder = Sounder(config, Path(making), note)
                for recording in sounder.render(plan, choruses, wanted):
                    put(recording.wav.replace, names[recording.version])
        except SynthError as error:
            told.trouble(str(error))


def _files(
    config: Config, plan: Plan, choruses: int, kind: str, score: bool, told: _Told
) -> Iterator[tuple[str, Made]]:
    """The files of a kind: the end of the name, and what makes it."""
    if kind == "chart":
        for reader in READERS:
            read = read_by(plan, reader)
            tail = f"-chart{'-' * bool(reader.file)}{reader.file}"
            yield f"{tail}.txt", partial(_chart, read, choruses, reader.head)
            yield f"{tail}.svg", partial(_drawn_chart, read, choruses, reader.head)
    elif kind == "tab":
        from ..export.tab import text_tab

        yield "-tab.txt", lambda: _text(f"{plan.tune.title} in {plan.key}\n\n{text_tab(plan, choruses)}")
    elif kind == "notation":
        from ..export.notation import bass_notation

        yield "-bass.musicxml", lambda: _text(bass_notation(plan, choruses))
        if score:
            from ..export.full_score import band_score

            yield "-score.musicxml", lambda: _text(band_score(plan, choruses, config.play.seed))
    elif kind == "midi":
        for version in VERSIONS:
            yield f"{version.suffix}.mid", partial(version_midi, config, plan, choruses, version)
    elif kind == "sheet":
        yield "-sheet.html", lambda: _sheet(plan, choruses, told)


def _chart(plan: Plan, choruses: int, head: str) -> bytes:
    from ..export.chart import text_chart

    return _text(f"{head}\n\n{text_chart(plan, choruses)}")


def _drawn_chart(plan: Plan, choruses: int, head: str) -> bytes:
    from ..export.chart_svg import chart_svg

    return _text(chart_svg(plan, choruses, head))


def _sheet(plan: Plan, choruses: int, told: _Told) -> bytes:
    from ..export.sheet import sheet

    made = sheet(plan, choruses)
    if made.missing:
        told.trouble(made.missing)
    return _text(made.page)


def _text(text: str) -> bytes:
    return (text if text.endswith("\n") else text + "\n").encode()


@contextmanager
def _ended_tidily() -> Iterator[None]:
    """SIGTERM, like Ctrl-C, clears away what is half made."""

    def end(number: int, frame: object) -> None:
        raise KeyboardInterrupt

    before = signal.signal(signal.SIGTERM, end)
    try:
        yield
    finally:
        signal.signal(signal.SIGTERM, before)


def check_only(text: str) -> tuple[str, ...]:
    """`chart,midi` as kinds. BadValue names the one that is none."""
    kinds = tuple(filter(None, (word.strip() for word in text.split(","))))
    for kind in kinds:
        if kind not in KINDS:
            raise BadValue(f"--only {kind}: there are {', '.join(KINDS)}")
    return kinds or KINDS


def do_handout(arguments: argparse.Namespace) -> int:
    """The command. Errors as those of `run`."""
    wishes = Wishes(
        keys=tuple(filter(None, (arguments.keys or "").split(","))),
        all_keys=arguments.all_keys,
        choruses=arguments.choruses,
        only=check_only(arguments.only or ""),
        force=arguments.force,
        score=arguments.score,
    )
    return run(load(arguments), arguments.to, wishes)
