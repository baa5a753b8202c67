"""The other end of the control socket: one request, one answer."""

import json
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

from .socket_path import ControlError, connect

_PATIENCE_S = 5.0


def ask(paths: Sequence[Path], name: str, value: Any = None) -> Mapping[str, Any]:
    """What a running box answers. Raises ControlError if there is none, or if it says no."""
    request = {"command": name} if value is None else {"command": name, "value": value}
    with connect(paths, _PATIENCE_S) as connection:
        try:
            connection.sendall(json.dumps(request).encode() + b"\n")
            with connection.makefile("rb") as answers:
                answer = json.loads(answers.readline())
        except (OSError, ValueError):
            raise ControlError("the box has not answered") from None
    if not isinstance(answer, dict):  # it is no box that listens there
        raise ControlError("the box has not answered")
    if not answer.get("ok"):
        raise ControlError(f"{name}: {answer.get('reason', 'refused')}")
    return answer
