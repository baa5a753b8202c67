"""`pedal status`, `pedal tempo 92` and their like: what a running box is asked and commanded."""

import argparse
import json
from collections.abc import Mapping
from pathlib import Path
from typing import Any

from ..library.action_values import read_value
from ..service.control.client import ask
from ..service.paths import control_sockets
from .exit_status import OK


def status(socket: Path | None, as_json: bool) -> None:
    """Print what a running box does. Raises ControlError."""
    said = ask(_sockets(socket), "status")["status"]
    print(json.dumps(said, ensure_ascii=False) if as_json else text_status(said))


def tell(socket: Path | None, name: str, word: str | None) -> None:
    """Have a running box do something. Raises ControlError, with its reason if it refuses."""
    ask(_sockets(socket), name, read_value(name, word))


def text_status(said: Mapping[str, Any]) -> str:
    """The lines of `pedal status`."""
    bpm, written = round(said["bpm"], 1), round(said["written_bpm"], 1)
    of = "" if bpm == written else f" (written: {written:g})"
    lines = [f"{said['title']} in {said['key']}, {bpm:g} beats a minute{of}, {said['mode']}"]
    lines.append(_where(said))
    if said["waits"]:
        lines.append(f"waits: {said['waits']}")
    parts = [part for part in said["parts"] if part != "bass" or said["guide"] != "off"]
    lines.append(f"plays: {', '.join(parts) or 'nobody, lamps only'}; guide bass {said['guide']}")
    lines.append(said["rig"])
    if said["log_dropped"]:
        lines.append(f"{said['log_dropped']} entries are missing from the practice log")
    return "\n".join([*lines, *said["faults"]])


def _where(said: Mapping[str, Any]) -> str:
    if said["state"] == "stopped":
        return "stopped, ready"
    now = f"{said['degree']} {said['chord']}" if said["chord"] else "count-in"
    comes = f", then {said['next_degree']} {said['next_chord']}" if said["next_chord"] else ""
    armed = "".join(f" [{what}]" for what in said["armed"])
    where = f"chorus {said['chorus']}, bar {said['bar']}.{said['beat']}: " if said["chorus"] else ""
    if drill := said["drill"]:
        within = f"repetition {drill['repetition']}, bar {said['bar']}.{said['beat']}"
        where = f"drill of bar {drill['change']}, {within}: "
        now = "time alone" if drill["hats"] else now
    return f"{where}{now}{comes}{armed}"


def _sockets(socket: Path | None) -> list[Path]:
    return [socket] if socket else control_sockets()


def do_status(arguments: argparse.Namespace) -> int:
    """As `status`."""
    status(arguments.socket, arguments.json)
    return OK


def do_tell(arguments: argparse.Namespace) -> int:
    """As `tell`: `tell` names the command itself, the others are called as theirs."""
    tell(arguments.socket, arguments.name, getattr(arguments, "value", None))
    return OK
