"""A player's own sequences folder for tests: shipped files with something changed."""

import json
import tomllib
from pathlib import Path
from typing import Any

from pedal.library import sequences_dir


def toml(values: dict[str, Any]) -> str:
    """TOML of plain values, tables written inline."""
    return "\n".join(f"{json.dumps(key)} = {_value(value)}" for key, value in values.items()) + "\n"


def _value(value: Any) -> str:
    if isinstance(value, dict):
        return "{" + ", ".join(f"{json.dumps(key)} = {_value(one)}" for key, one in value.items()) + "}"
    if isinstance(value, list):
        return "[" + ", ".join(map(_value, value)) + "]"
    if isinstance(value, str):
        return json.dumps(value).replace("\x7f", "\\u007f")
    if isinstance(value, bool):
        return "true" if value else "false"
    return repr(value)  # nan and inf are spelled alike


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
