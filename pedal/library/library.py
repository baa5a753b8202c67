"""Finding and reading sequences: the shipped ones and the player's own.

    sequences/forms/twelve-bar.toml    a form, named after its file
             /feels/ /lines/ /tunes/   lines are figures, turnarounds and endings

The player's own folder is laid out alike, and a file of his wins over the shipped one of the
same name. Files are read when a tune needs them, once, and every mistake in all of them is
told together (see `pedal.library.toml_check`).
"""

import re
from collections.abc import Iterable
from pathlib import Path
from typing import Any

from ..errors import FileError, file_errors
from ..music.feels import Feel
from ..music.forms import Form
from ..music.lines import Figure, Tail
from ..music.pickups import PICKUPS
from ..music.pitch import parse_key
from ..music.tune import Tune
from .compatibility import check_fit
from .feel_files import read_feel
from .form_files import MOST_BARS, MOST_CHORUSES, TEMPO, Read, read_form, read_line
from .set_files import Set, read_routine, read_set
from .toml_check import (
    Problem,
    Problems,
    Rule,
    Table,
    Unknown,
    Wrong,
    guess,
    number,
    one_of,
    read_toml,
    text,
    texts,
    whole,
)

FOLDERS = {
    "tune": "tunes",
    "form": "forms",
    "feel": "feels",
    "figure": "lines",
    "turnaround": "lines",
    "ending": "lines",
    "set": "sets",
    "routine": "routines",
}
KINDS = tuple(FOLDERS)
NAME = re.compile("[a-z0-9-]{1,100}")  # so long that it can be a file's

# What a tune gets that does not say, by whether its form is minor; slow feels end held.
TURNAROUNDS = {False: "walk-down", True: "walk-down-minor"}
ENDINGS = {False: "stop-on-the-one", True: "stop-on-the-one-minor"}
SLOW_ENDINGS = {False: "slow-to-the-one", True: "slow-to-the-one-minor"}
INTROS = ("none", "turnaround", "from-v")


def sequences_dir() -> Path:
    """The folder of the shipped sequences: inside an installed package, beside it in a checkout.

    FileError if there is neither.
    """
    package = Path(__file__).resolve().parents[1]
    for folder in (package / "sequences", package.parent / "sequences"):
        if folder.is_dir():
            return folder
    raise FileError(f"the sequences that belong to {package} are missing; install it again")


class Library:
    """Sequences by name. `own` is the player's own folder, whose files win.

    Each of `tune`, `form`, `feel`, `figure`, `turnaround`, `ending`, `set`, `routine` takes a name and raises
    Unknown if no file has it and BadFile if a file that is needed has mistakes.
    """

    def __init__(self, own: Path | None = None) -> None:
        """FileNotFoundError if the shipped sequences are missing."""
        self.own = own
        self._folders = [own, sequences_dir()] if own else [sequences_dir()]
        self._read: dict[Path, tuple[Read[Any] | None, Problems]] = {}
        self._kinds: dict[Path, str | None] = {}

    def names(self, kind: str) -> list[str]:
        """All names of a kind (see KINDS), in order of the alphabet. KeyError for another kind."""
        folder = FOLDERS[kind]
        found = {path.stem for top in self._folders for path in (top / folder).glob("*.toml")}
        return sorted(name for name in found if NAME.fullmatch(name) and self._is(kind, name))

    def tune(self, name: str) -> Tune:
        """A tune, with all it is made of."""
        return self._get("tune", name)

    def form(self, name: str) -> Form:
        """A form."""
        return self._get("form", name)

    def feel(self, name: str) -> Feel:
        """A feel."""
        return self._get("feel", name)

    def figure(self, name: str) -> Figure:
        """A bass figure."""
        return self._get("figure", name)

    def turnaround(self, name: str) -> Tail:
        """A turnaround."""
        return self._get("turnaround", name)

    def ending(self, name: str) -> Tail:
        """An ending."""
        return self._get("ending", name)

    def set(self, name: str) -> Set:
        """A set."""
        return self._get("set", name)

    def routine(self, name: str) -> Set:
        """A routine."""
        return self._get("routine", name)

    def find(self, kind: str, name: str) -> Path | None:
        """The file of a name, the player's own before the shipped; None if there is none.

        FileError if a folder cannot be looked into.
        """
        if not isinstance(name, str) or not NAME.fullmatch(name):
            return None  # a name never leaves its folder
        for top in self._folders:
            path = top / FOLDERS[kind] / f"{name}.toml"
            with file_errors(f"{str(path)!r} cannot be read"):  # a folder that may not be looked into
                if path.is_file():
                    return path
        return None

    def check(self, path: Path, kind: str | None = None) -> Problems:
        """Every problem of a file and of those it needs; `kind` is told from it if not given."""
        problems = Problems()
        if not NAME.fullmatch(path.stem) or path.suffix != ".toml":
            rule = "the name of a sequence file is small letters, digits and hyphens, then .toml"
            problems.append(Problem(str(path), "", "", rule))
        kind = kind or _kind_by_folder(path) or self._kind(path)
        if kind is None:
            table = read_toml(path, str(path), problems)
            if table and "kind" in table.values:
                table.get("kind", one_of(*KINDS))
            elif table:
                rule = f"is missing: one of {', '.join(KINDS)}; or put it into a folder such as tunes"
                table.wrong("kind", f"{rule} (settings: --config FILE)")
        else:
            self._load(kind, path, problems)
        return problems

    # ---- inside -----------------------------------------------------------------------

    def _get(self, kind: str, name: str) -> Any:
        path = self.find(kind, name)
        if path is None or not self._is(kind, name):
            raise Unknown(kind, name, self.names(kind))
        problems = Problems()
        read = self._load(kind, path, problems)
        problems.stop()
        assert read is not None
        return read.thing

    def _load(self, kind: str, path: Path, problems: Problems) -> Read[Any] | None:
        """A file's content from the cache; its problems are added to those given."""
        if path not in self._read:
            found = Problems()
            table = read_toml(path, str(path), found)
            self._read[path] = (self._read_kind(kind, path.stem, table) if table else None), found
        read, found = self._read[path]
        problems.extend(problem for problem in found if problem not in problems)
        return read

    def _read_kind(self, kind: str, name: str, table: Table) -> Read[Any] | None:
        if kind == "tune":
            return self._read_tune(name, table)
        if kind == "feel":
            return read_feel(name, table, self._name_of("figure"))
        if kind == "set":
            return read_set(name, table, self._name_of("tune"))
        if kind == "routine":
            return read_routine(name, table, self._name_of("tune"))
        return read_form(name, table) if kind == "form" else read_line(name, table)

    def _kind(self, path: Path) -> str | None:
        """What a file says it is."""
        if path not in self._kinds:
            table = read_toml(path, str(path), Problems())
            kind = table.values.get("kind") if table else None
            self._kinds[path] = kind if kind in KINDS else None
        return self._kinds[path]

    def _is(self, kind: str, name: str) -> bool:
        """Whether the file of a name is of a kind. One that does not say so counts, to be checked."""
        path = self.find(kind, name)
        if path is None or FOLDERS[kind] != "lines":
            return path is not None
        return self._kind(path) in (kind, None)

    def _name_of(self, kind: str) -> Rule[str]:
        def rule(value: Any) -> str:
            path = self.find(kind, text(value))
            if path is None or not self._is(kind, value):
                names = self.names(kind)
                hint = guess(value, names) or f"there are: {', '.join(names)}"
                raise Wrong(f"is no {kind}" if path is None else f"is a {self._kind(path)}, no {kind}", hint)
            return value

        return rule

    def _part(self, table: Table, kind: str, default: str | None = None) -> Read[Any] | None:
        """What a tune's key `kind` names, or the default, its problems added to the tune's."""
        rule = self._name_of(kind)
        if kind in table or default is None:
            name = table.get(kind, rule)
        else:
            name = Table(table.file, {kind: default}, table.problems).get(kind, rule)
        path = self.find(kind, name) if name else None
        return self._load(kind, path, table.problems) if path else None

    def _read_tune(self, name: str, table: Table) -> Read[Tune] | None:
        table.get("kind", one_of("tune"), "tune")
        title = table.get("title", text)
        key = table.get("key", texts(parse_key))
        tempo = table.get("tempo", number(*TEMPO))
        form = self._part(table, "form")
        feel = self._part(table, "feel")
        usual = feel.thing.figure if feel else None
        figure = self._part(table, "figure", usual) if usual or "figure" in table else None
        minor = bool(form and form.thing.minor)
        plain = table.values.get("turnaround") == "none"
        turnaround = None if plain else self._part(table, "turnaround", TURNAROUNDS[minor])
        endings = SLOW_ENDINGS if feel and feel.thing.slow else ENDINGS
        ending = self._part(table, "ending", endings[minor])
        intro = table.get("intro", one_of(*INTROS), "none")
        choruses = table.get("choruses", whole(0, MOST_CHORUSES), 0)
        pickups = _pickups(table, len(form.thing.bars) if form else MOST_BARS)
        table.close(also=("turnaround", "figure"))
        if form:
            if key and key.minor != form.thing.minor:
                modes = ("major", "minor") if key.minor else ("minor", "major")
                table.wrong("key", f"the form {form.thing.name!r} is {modes[0]}, the key is {modes[1]}")
            check_fit(table, form, feel, figure, {"turnaround": turnaround, "ending": ending})
        if table.problems or not (form and feel and figure and ending):
            return None
        return Read(
            Tune(
                name=name,
                title=title,
                key=key,
                bpm=tempo,
                form=form.thing,
                feel=feel.thing,
                figure=figure.thing,
                turnaround=turnaround.thing if turnaround else None,
                ending=ending.thing,
                choruses=choruses,
                intro=intro,
                pickups=pickups,
            )
        )


def _pickups(tune: Table, bars: int) -> dict[int, str]:
    """The pickups that a tune asks for, by the bar of the change they lead to."""
    table = tune.table("pickups")
    within = {bar: re.fullmatch("[1-9][0-9]?", bar) and int(bar) <= bars for bar in table.values}
    for bar in table.values:
        if not within[bar]:
            table.wrong(bar, f"is no bar of the form, which has bars 1 to {bars}")
    return {int(bar): table.get(bar, one_of(*PICKUPS)) for bar in table.values if within[bar]}


def _kind_by_folder(path: Path) -> str | None:
    """The kind of the files in a folder; `lines` has several, and its files say."""
    kinds = [kind for kind, folder in FOLDERS.items() if folder == path.absolute().parent.name]
    return kinds[0] if kinds else None


def check_files(paths: Iterable[Path] | None = None, own: Path | None = None) -> list[Problem]:
    """The problems of some files, or of all that are shipped and in the player's own folder.

    What kind of file it is tells the folder it lies in, or else its key `kind`.
    """
    library = Library(own)
    if paths is None:
        tops = [sequences_dir(), *([own] if own else [])]
        folders = dict.fromkeys(FOLDERS.values())
        paths = [p for top in tops for name in folders for p in sorted((top / name).glob("*.toml"))]
    return list(dict.fromkeys(problem for path in paths for problem in library.check(Path(path))))
