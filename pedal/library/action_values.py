"""The commands a box takes by other means than its foot, and their values as a person writes them."""

import re

from ..errors import BadValue
from ..music.pitch import Key, parse_key
from ..session.foot_map import ACTIONS
from .toml_check import guess

Value = None | bool | int | float | str | list[str]

_VALUES: dict[str, tuple[type | tuple[type, ...], str]] = {
    "load": (str, "the name of a tune"),
    "key": (str, "a key, like Bb"),
    "mode": (str, "through, vamp or drill"),
    "tempo": ((int, float), "beats a minute"),
}
COMMANDS = tuple(sorted({*ACTIONS, *_VALUES} - {"nothing"}))
"""What may be asked for, besides `status`."""


def judge(name: str, value: Value) -> str | None:
    """Why a command or its value is none, in a line; None if the Session may be asked."""
    if name not in COMMANDS:
        close = guess(name, COMMANDS)
        return f"there is no command {name[:40]!r}; {close or 'there are: status, ' + ', '.join(COMMANDS)}"
    kind, what = _VALUES.get(name, (object, ""))
    if not isinstance(value, kind) or (kind is not object and isinstance(value, bool)):
        return f"{name} needs {what}"
    return None


def read_key(word: str) -> Key:
    """A key as a person writes it: A, Bb, F#m. BadValue if it is none."""
    try:
        return parse_key(word)
    except ValueError as error:
        raise BadValue(str(error)) from None


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
