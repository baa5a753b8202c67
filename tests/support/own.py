"""A player's own sequences folder for tests: shipped files with something changed."""

import json
import tomllib
from datetime import date, time
from pathlib import Path
from typing import Any

import pytest

from pedal.library.library import Library, sequences_dir
from pedal.library.toml_check import BadFile, Problem

TUNE, FORM, FEEL = "tunes/wet-boots.toml", "forms/twelve-bar.toml", "feels/medium-shuffle.toml"
FIGURE, TURNAROUND, ENDING = (
    f"lines/{name}.toml" for name in ("root-and-pickup", "walk-down", "stop-on-the-one")
)


def toml(values: dict[str, Any]) -> str:
    """TOML of plain values, tables written inline."""
    return "\n".join(f"{_text(key)} = {_value(value)}" for key, value in values.items()) + "\n"


def _value(value: Any) -> str:
    if isinstance(value, dict):
        return "{" + ", ".join(f"{_text(key)} = {_value(one)}" for key, one in value.items()) + "}"
    if isinstance(value, list):
        return "[" + ", ".join(map(_value, value)) + "]"
    if isinstance(value, str):
        return _text(value)
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, date | time):
        return value.isoformat()
    return repr(value)  # nan and inf are spelled alike


def _text(value: str) -> str:
    return json.dumps(value).replace("\x7f", "\\u007f")


def shipped(file: str) -> dict[str, Any]:
    """The content of a shipped file, like `tunes/wet-boots.toml`."""
    return tomllib.loads((sequences_dir() / file).read_text())


class Own:
    """A folder to write files into."""

    def __init__(self, root: Path) -> None:
        self.root = root

    def write(self, file: str, content: str) -> Path:
        """A file with this text."""
        path = self.root / file
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_text(content, encoding="utf-8")
        return path

    def change(self, file: str, **changes: Any) -> Path:
        """A shipped file with some keys changed; None takes a key out."""
        values = shipped(file) | changes
        return self.write(file, toml({key: value for key, value in values.items() if value is not None}))


def problems_of(own: Own, tune: str = "wet-boots") -> list[Problem]:
    """What is wrong with a tune and its files."""
    with pytest.raises(BadFile) as caught:
        Library(own.root).tune(tune)
    for problem in caught.value.problems:
        assert str(problem).count("\n") == 0 and len(str(problem)) < 600
    assert str(caught.value).splitlines() == [str(problem) for problem in caught.value.problems]
    return list(caught.value.problems)


def only(own: Own) -> Problem:
    (problem,) = problems_of(own)
    return problem
