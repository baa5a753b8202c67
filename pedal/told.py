"""What a box may be told by other means than its foot: the commands, and how they are written.

In words a command is `stop` or `tempo=92`, and a list of names is joined by `+` or commas.
"""

import re
from collections.abc import Callable

from .checks import guess
from .leader.footmap import ACTIONS
from .rig.control_request import Value

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
    """What a word means as the value of a command: names as they are, else a number if it is one."""
    if name == "parts" and word is not None:
        return [part for part in re.split("[,+]", word) if part]
    read: Callable[[str], Value] = str if _VALUES.get(name, (float, ""))[0] is str else _number
    return None if word is None else read(word)


def _number(word: str) -> str | float:
    try:
        return float(word)
    except ValueError:
        return word
