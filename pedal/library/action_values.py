"""What a box may be told by other means than its foot: the commands, and their values in words."""

import re

from ..events import Value
from ..session.foot_map import ACTIONS
from .toml_check import guess

_VALUES: dict[str, tuple[type | tuple[type, ...], str]] = {
    "load": (str, "the name of a tune"),
    "key": (str, "a key, like Bb"),
    "mode": (str, "through, vamp or drill"),
    "tempo": ((int, float), "beats a minute"),
}
COMMANDS = tuple(sorted({*ACTIONS, *_VALUES} - {"nothing"}))
"""What may be asked for, besides `status`."""


def judge(name: str, value: Value) -> str | None:
    """Why a command is none; it still may be refused by the Session."""
    if name not in COMMANDS:
        close = guess(name, COMMANDS)
        return f"there is no command {name[:40]!r}; {close or 'there are: status, ' + ', '.join(COMMANDS)}"
    kind, what = _VALUES.get(name, (object, ""))
    if not isinstance(value, kind) or (kind is not object and isinstance(value, bool)):
        return f"{name} needs {what}"
    return None


def read_value(name: str, word: str | None) -> Value:
    """What a word means as the value of a command: names as they are, else a number if it is one.

    Parts are joined by `+` or commas.
    """
    if word is None:
        return None
    if name == "parts":
        return [part for part in re.split("[,+]", word) if part]
    kind, _ = _VALUES.get(name, (object, ""))
    if kind is str:
        return word
    try:
        return float(word)
    except ValueError:
        return word
