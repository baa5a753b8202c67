"""Checked reading of TOML files: every mistake of a file is found at once, and is a line.

A `Table` hands out values by key. Each value goes through a *rule*: a function that returns
what was meant or raises ValueError saying why not. What fails is noted as a `Problem`, the
reading goes on with None, and the keys nobody asked for are problems too. At the end
`Problems.stop()` raises `BadFile` with all of them.

    Problem      one mistake: file, key, value, rule, hint
    BadFile      all mistakes of the files that a call needed (a ValueError)
    Unknown      a name that no file has (a LookupError)
"""

import tomllib
from collections.abc import Callable, Iterable
from pathlib import Path
from typing import Any, NamedTuple, TypeVar

from ..errors import UserError, plain

T = TypeVar("T")
Keys = tuple[str | int, ...]  # tables' keys as they are in the file, items of a list counted from 1
Rule = Callable[[Any], T]

_SHOWN = 70  # characters of a wrong value that are worth repeating
_EXPLAINED = 400  # and of why it is wrong
_REQUIRED: Any = object()


class Problem(NamedTuple):
    """A mistake in a file: at `key` stands `value`, which breaks `rule`; `hint` may help.

    `value` is as the file's writer would recognise it, cut if long; empty if a key is missing.
    `key` is for reading; `at` is the same key by key, for a key may itself have dots in it.
    """

    file: str
    key: str
    value: str
    rule: str
    hint: str = ""
    at: Keys = ()

    def __str__(self) -> str:
        rule = self.rule.removeprefix(f"{self.value}: ").removeprefix(f"{self.value} ")
        key = _cut(self.key, _SHOWN)
        where = f"{key} = {self.value}" if self.value else key
        line = f"{self.file}: {where}: {rule}" if where else f"{self.file}: {rule}"
        return " ".join(f"{line}; {self.hint}".split()) if self.hint else " ".join(line.split())


class BadFile(UserError, ValueError):
    """Files with mistakes in them. `problems` has them all, the text one a line."""

    def __init__(self, problems: Iterable[Problem]) -> None:
        self.problems = tuple(problems)
        super().__init__("\n".join(map(str, self.problems)))

    def shown(self) -> str:
        """A line for each problem, which begins with its file as compilers have it."""
        return "\n".join(plain(str(problem)) for problem in self.problems)


class Unknown(UserError, LookupError):
    """A name that stands for nothing. The text is one line with a hint and the choices."""

    def __init__(self, kind: str, name: object, choices: Iterable[str]) -> None:
        self.kind, self.name, self.choices = kind, name, tuple(choices)
        there = f"there are: {', '.join(self.choices)}" if self.choices else "there are none"
        close = guess(name, self.choices)
        super().__init__(f"no {kind} is called {show(name)}; {close + '; ' if close else ''}{there}")


class Wrong(ValueError):
    """What a rule raises when it knows a hint."""

    def __init__(self, rule: str, hint: str = "") -> None:
        super().__init__(rule)
        self.hint = hint


def show(value: object) -> str:
    """A value as its writer would recognise it, on one line and not too long."""
    try:
        text = {True: "true", False: "false"}[value] if isinstance(value, bool) else repr(value)
    except (ValueError, RecursionError):  # Python writes no int of more than 4300 digits
        return "…"
    return _cut(text, _SHOWN)


def _cut(text: str, most: int) -> str:
    return text if len(text) <= most else text[: most - 1] + "…"


def guess(value: object, choices: Iterable[str]) -> str:
    """`did you mean …?` if one of the choices looks like the value, else nothing."""
    from difflib import get_close_matches  # only needed when something is wrong

    lower = {choice.lower(): choice for choice in choices}
    close = get_close_matches(str(value)[:100].lower(), lower, n=1, cutoff=0.6)
    return f"did you mean {lower[close[0]]!r}?" if close else ""


class Problems(list[Problem]):
    """The problems found so far."""

    def stop(self) -> None:
        """Raise BadFile if there are any."""
        if self:
            raise BadFile(self)


class Table:
    """A table of a file, read key by key. A key that fails gives None and a problem."""

    def __init__(self, file: str, values: dict[str, Any], problems: Problems, at: Keys = ()) -> None:
        self.file, self.values, self.problems, self.at = file, values, problems, at
        self._asked: list[str] = []

    def __contains__(self, key: str) -> bool:
        return key in self.values

    def wrong(self, key: str | Keys, rule: str, hint: str = "", value: Any = None) -> None:
        """Note a problem at a key, or the keys down to it; the value is the file's own unless given."""
        if value is None and isinstance(key, str):
            value = self.values.get(key)
        self._note(key, "" if value is None else show(value), rule, hint)

    def get(self, key: str, rule: Rule[T], default: Any = _REQUIRED) -> T | Any:
        """The value of a key through its rule; the default if the key is absent."""
        self._asked.append(key)
        if key not in self.values:
            if default is _REQUIRED:
                self.wrong(key, "is missing", guess(key, self._strangers()))
                return None
            return default
        return self._apply(key, self.values[key], rule)

    def each(self, key: str, rule: Rule[T], default: Any = _REQUIRED) -> tuple[T, ...] | Any:
        """A list through a rule for its items, which are counted from 1 (`bars[12]`)."""
        items = self.get(key, a_list, default)
        if items is None or items is default:
            return items
        before = len(self.problems)
        read = tuple(self._apply((key, n), item, rule) for n, item in enumerate(items, 1))
        return None if len(self.problems) > before else read

    def table(self, key: str) -> "Table":
        """A table within this one; empty if it is absent or none (which is a problem)."""
        values = self.get(key, a_table, {})
        return Table(self.file, values or {}, self.problems, (*self.at, key))

    def tables(self, key: str) -> "list[Table]":
        """The tables of a list (`[[entry]]`), counted from 1; none if it is absent or no such list."""
        items = self.each(key, a_table, ()) or ()
        return [Table(self.file, item, self.problems, (*self.at, key, n)) for n, item in enumerate(items, 1)]

    def close(self, rule: str = "unknown key", also: Iterable[str] = ()) -> None:
        """Note a problem for every key that nobody has asked for and that is not in `also`."""
        self._asked += also
        for key in self._strangers():
            hint = guess(key, self._asked) or f"there are: {', '.join(dict.fromkeys(self._asked))}"
            self._note(key, "", rule, hint)

    def _note(self, key: str | Keys, shown: str, rule: str, hint: str) -> None:
        at = (*self.at, *((key,) if isinstance(key, str) else key))
        self.problems.append(Problem(self.file, _name(at), shown, rule, hint, at))

    def _strangers(self) -> list[str]:
        return [key for key in self.values if key not in self._asked]

    def _apply(self, key: str | Keys, value: Any, rule: Rule[T]) -> T | None:
        try:
            return rule(value)
        except ValueError as reason:
            self.wrong(key, _cut(str(reason), _EXPLAINED), getattr(reason, "hint", ""), value)
            return None


def _name(at: Keys) -> str:
    """Keys as they are read: `play.mode`, `bars[12]`."""
    empty = '""'
    name = "".join(f"[{key}]" if isinstance(key, int) else f".{key or empty}" for key in at)
    return name.removeprefix(".")


def read_toml(path: Path, file: str, problems: Problems) -> Table | None:
    """The top table of a file, or None and a problem if it cannot be read; `file` is its name in problems."""
    try:
        content = path.read_bytes().decode()
    except OSError as reason:
        problems.append(Problem(file, "", "", f"cannot be read: {reason.strerror or reason}"))
        return None
    except UnicodeDecodeError as reason:
        line = reason.object.count(b"\n", 0, reason.start) + 1
        problems.append(Problem(file, "", "", f"is not UTF-8 text (at line {line})"))
        return None
    try:
        return Table(file, tomllib.loads(content), problems)
    except RecursionError:
        problems.append(Problem(file, "", "", "is nested too deeply to be read"))
    except ValueError as reason:  # bad TOML, or a number of more digits than Python reads
        last = content.rstrip().count("\n") + 1
        rule = str(reason).replace("(at end of document)", f"(at line {last}, the last)")
        problems.append(Problem(file, "", "", f"is not TOML: {rule}"))
    return None


# ---- rules ----------------------------------------------------------------------------


def text(value: Any) -> str:
    """A text on one line with something in it."""
    if not isinstance(value, str) or not value.strip() or len(value.splitlines()) > 1:
        raise Wrong("must be a text in quotes, on one line and not empty")
    return value


def flag(value: Any) -> bool:
    """true or false."""
    if not isinstance(value, bool):
        raise Wrong("must be true or false")
    return value


def a_list(value: Any) -> list[Any]:
    """A list with something in it."""
    if not isinstance(value, list) or not value:
        raise Wrong("must be a list in [ ] with something in it")
    return value


def a_table(value: Any) -> dict[str, Any]:
    """A table."""
    if not isinstance(value, dict):
        raise Wrong("must be a table")
    return value


def number(low: float, high: float) -> Rule[float]:
    """A number from low to high."""

    def rule(value: Any) -> float:
        # Written so that nan, which compares with nothing, fails too.
        if isinstance(value, bool) or not isinstance(value, int | float) or not low <= value <= high:
            raise Wrong(f"must be a number from {low:g} to {high:g}")
        return float(value)

    return rule


def whole(low: int, high: int) -> Rule[int]:
    """A whole number from low to high."""

    def rule(value: Any) -> int:
        if isinstance(value, bool) or not isinstance(value, int) or not low <= value <= high:
            raise Wrong(f"must be a whole number from {low} to {high}")
        return value

    return rule


def one_of(*choices: str) -> Rule[str]:
    """One of some words."""

    def rule(value: Any) -> str:
        if value not in choices:
            raise Wrong(f"must be one of: {', '.join(choices)}", guess(value, choices))
        return value

    return rule


def texts(read: Callable[[str], T]) -> Rule[T]:
    """A text that a parser understands."""
    return lambda value: read(text(value))
