"""What a box may be told by other means than its foot: the commands, and their values in words."""

import re

from ..events import Value
from ..session.action_table import ACTIONS, COMMANDS
from .toml_check import guess


def judge(name: str, value: Value) -> str | None:
    """Why a command is none; it still may be refused by the Session."""
    if name not in COMMANDS:
        close = guess(name, COMMANDS)
        return f"there is no command {name[:40]!r}; {close or 'there are: status, ' + ', '.join(COMMANDS)}"
    takes = ACTIONS[name].takes
    if takes and (not isinstance(value, takes.types) or isinstance(value, bool)):
        return f"{name} needs {takes.words}"
    return None


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
