"""The commands a box takes by other means than its foot, and their values as a person writes them."""

import re

from ..errors import BadValue
from ..events import Value
from ..music.pitch import Key, parse_key
from ..session.action_table import ACTIONS, COMMANDS
from .toml_check import guess


def judge(name: str, value: Value) -> str | None:
    """Why a command or its value is none, in a line; None if the Session may be asked."""
    if name not in COMMANDS:
        close = guess(name, COMMANDS)
        return f"there is no command {name[:40]!r}; {close or 'there are: status, ' + ', '.join(COMMANDS)}"
    takes = ACTIONS[name].takes
    if takes and (not isinstance(value, takes.types) or isinstance(value, bool)):
        return f"{name} needs {takes.words}"
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
    takes = ACTIONS[name].takes if name in ACTIONS else None
    if takes and takes.types == (str,):
        return word
    try:
        return float(word)
    except ValueError:
        return word
