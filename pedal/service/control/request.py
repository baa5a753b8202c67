"""What may be asked through the control socket: small, plain values, nothing to stumble over."""

import json
import math
from collections.abc import Callable, Mapping
from typing import Any, NamedTuple

from ...events import Value

_LONGEST_TEXT, _LONGEST_LIST, _LARGEST = 200, 16, 1e9

Answer = Mapping[str, Any]


class Request(NamedTuple):
    """Something asked for through the socket. `reply` may be called from any thread; it never waits."""

    at: int
    name: str
    value: Value
    reply: Callable[[Answer], None]


def read_request(line: bytes) -> tuple[str, Value]:
    """Command and value of a line. ValueError, in one line, for anything else."""
    try:
        said = json.loads(line.decode())
    except (ValueError, RecursionError):
        raise ValueError('a request is one line of JSON, like {"command": "status"}') from None
    if not isinstance(said, dict) or not isinstance(said.get("command"), str):
        raise ValueError('a request has a command, like {"command": "status"}')
    strange = sorted(set(said) - {"command", "value"})
    if strange:
        raise ValueError(f"a request has a command and a value, nothing else (not {strange[0][:40]!r})")
    value = said.get("value")
    if not _is_value(value):
        raise ValueError("a value is a number, a short text or a list of short texts")
    return said["command"], value


def _is_value(value: Any) -> bool:
    """Small and plain: nothing that the loop could stumble over."""
    if value is None or isinstance(value, bool):
        return True
    if isinstance(value, int | float):
        return not (isinstance(value, float) and math.isnan(value)) and abs(value) <= _LARGEST
    if isinstance(value, str):
        return len(value) <= _LONGEST_TEXT and value.isprintable()
    if isinstance(value, list):
        return len(value) <= _LONGEST_LIST and all(isinstance(one, str) and _is_value(one) for one in value)
    return False
