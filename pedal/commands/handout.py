"""`pedal handout`: what a student takes home, from one tune, in any keys.

Every file is made whole in a folder of its own beside its place and then moved there: a run that
is interrupted leaves the files that are done and no half one. What cannot be made is said
once, and the rest is made.
"""

import argparse
import signal
import sys
import tempfile
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path

from ..errors import BadValue, FileError, file_errors
from ..export.audio import VARIANTS, Sounder, variant_midi
from ..export.transposed import READERS, read_by
from ..hardware.errors import SynthError
from ..library.action_values import read_key
from ..library.library import Library
from ..library.plans import plan_for
from ..library.settings import Config
from ..music.pitch import MAJOR_KEYS, MINOR_KEYS, Key, parse_key
from ..music.plan import Plan
from .exit_status import FAILED, OK, PARTIAL
from .options import load

KINDS = ("chart", "tab", "notation", "midi", "audio", "sheet")
MOST_CHORUSES = 99
USUAL_CHORUSES = 3  # of a tune that goes on until the foot says "last time"

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
    """What goes to the terminal: progress on one line if there is a terminal, each trouble once."""

    def __init__(self) -> None:
        self._shown = sys.stderr.isatty()
        self._troubles: list[str] = []
        self.made = 0

    @property
    def whole(self) -> bool:
        return not self._troubles

    def note(self, text: str) -> None:
        if self._shown:
            print(f"\r{text:<60.60}", end="", file=sys.stderr, flush=True)

    def clear(self) -> None:
        if self._shown:
            print(f"\r{'':<60}\r", end="", file=sys.stderr, flush=True)

    def trouble(self, text: str) -> None:
        if text not in self._troubles:
            self._troubles.append(text)
            self.hint(text)

    def hint(self, text: str) -> None:
        self.clear()
        print(f"pedal: {text}", file=sys.stderr)

    def wrote(self, path: Path) -> None:
        self.made += 1
        self.clear()
        print(f"wrote {path}", flush=True)


def run(config: Config, to: Path, wishes: Wishes) -> tuple[int, bool]:
    """Make everything. Returns how many files were made and whether nothing is missing.

    Unknown and BadFile for a tune that cannot be read; BadValue for a wish that nobody can meet; FileError
    if there can be no such folder.
    """
    if wishes.choruses is not None and not 1 <= wishes.choruses <= MOST_CHORUSES:
        raise BadValue(f"--choruses {wishes.choruses}: must be 1 to {MOST_CHORUSES}")
    with file_errors(f"{str(to)!r} cannot be written"):
        if to.is_file():
            raise FileError(f"--to {to}: is a file, not a folder")
    library = Library(config.sequences)
    tune = library.tune(config.tune)
    told = _Told()
    with _ended_tidily():
        keys = _keys(wishes, tune.key, told)
        for number, key in enumerate(keys, 1):
            told.note(f"{tune.title} in {key} ({number} of {len(keys)})")
            try:
                plan = plan_for(library, config.tune, str(key), config.tempo, config.bass)
            except BadValue as error:  # a minor key for a major tune
                told.trouble(str(error))
                continue
            folder = to / file_key(key) if len(keys) > 1 else to
            if not _write_all(config, plan, folder, wishes, told):
                break
    told.clear()
    return told.made, told.whole


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


def _write_all(config: Config, plan: Plan, folder: Path, wishes: Wishes, told: _Told) -> bool:
    """All files of a key. False if the folder cannot be written: then there is no use in going on."""
    try:
        folder.mkdir(parents=True, exist_ok=True)
        with tempfile.TemporaryDirectory(dir=folder, prefix=".making-") as making:
            _write_in(config, plan, folder, Path(making), wishes, told)
    except OSError as error:
        told.trouble(f"{str(folder)!r} cannot be written: {error.strerror or error}")
        return False
    return True


def _write_in(config: Config, plan: Plan, folder: Path, making: Path, wishes: Wishes, told: _Told) -> None:
    choruses = wishes.choruses or plan.tune.choruses or USUAL_CHORUSES
    stem = f"{plan.tune.name}-{file_key(plan.key)}"

    def free(name: str) -> bool:
        """Whether a file may be written; one that is there is somebody's."""
        taken = (folder / name).exists() and not wishes.force
        if taken:
            told.trouble(f"{str(folder / name)!r} is there already; --force writes over it")
        return not taken

    def put(part: Path, name: str) -> None:
        try:
            part.replace(folder / name)
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
                told.note(f"{plan.key}: {name}")
                part = making / name
                try:
                    part.write_bytes(make())
                except BadValue as error:  # a rhythm that nobody can write down
                    told.trouble(f"{name}: {error}")
                    continue
                put(part, name)
    if "audio" in wishes.only:
        names = {variant: f"{stem}{variant.suffix}.wav" for variant in VARIANTS}
        wanted = [variant for variant in VARIANTS if free(names[variant])]
        try:
            sounder = Sounder(config, making, lambda text: told.note(f"{plan.key}: {text}"))
            for variant, part in sounder.render(plan, choruses, wanted):
                put(part, names[variant])
        except SynthError as error:
            told.trouble(str(error))


def _files(
    config: Config, plan: Plan, choruses: int, kind: str, score: bool, told: _Told
) -> Iterator[tuple[str, Made]]:
    """The files of a kind: the end of the name, and what makes it."""
    if kind == "chart":
        from ..export.chart import text_chart
        from ..export.chart_svg import chart_svg

        for reader in READERS:
            read = read_by(plan, reader)
            tail = f"-chart{'-' * bool(reader.file)}{reader.file}"
            yield f"{tail}.txt", lambda r=read, h=reader.head: _text(f"{h}\n\n{text_chart(r, choruses)}")
            yield f"{tail}.svg", lambda r=read, h=reader.head: _text(chart_svg(r, choruses, h))
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
        for variant in VARIANTS:
            yield f"{variant.suffix}.mid", lambda v=variant: variant_midi(config, plan, choruses, v)
    elif kind == "sheet":
        yield "-sheet.html", lambda: _sheet(plan, choruses, told)


def _sheet(plan: Plan, choruses: int, told: _Told) -> bytes:
    from ..export.sheet import sheet

    page, why_not = sheet(plan, choruses)
    if why_not:
        told.trouble(why_not)
    return _text(page)


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
    wishes = Wishes(
        keys=tuple(filter(None, (arguments.keys or "").split(","))),
        all_keys=arguments.all_keys,
        choruses=arguments.choruses,
        only=check_only(arguments.only or ""),
        force=arguments.force,
        score=arguments.score,
    )
    made, whole = run(load(arguments), arguments.to, wishes)
    return OK if whole else PARTIAL if made else FAILED
