"""`pedal status`, `pedal tempo 92` and their like: what a running box is asked and commanded."""

import argparse
import json
from collections.abc import Mapping
from pathlib import Path
from typing import Any

from ..events import DrillProgress
from ..library.action_values import read_value
from ..service.control.client import ask
from ..service.paths import control_sockets
from ..session.report import Report, line_of
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
    lines.append(line_of(_report(said)))
    if said["waits"]:
        lines.append(f"waits: {said['waits']}")
    parts = [part for part in said["parts"] if part != "bass" or said["guide"] != "off"]
    lines.append(f"plays: {', '.join(parts) or 'nobody, lamps only'}; guide bass {said['guide']}")
    lines.append(said["rig"])
    if said["log_dropped"]:
        lines.append(f"{said['log_dropped']} entries are missing from the practice log")
    return "\n".join([*lines, *said["faults"]])


def _report(said: Mapping[str, Any]) -> Report:
    """Where the box says the band is."""
    fields = {name: said[name] for name in Report._fields if name not in ("mbpm", "drill")}
    drill = said["drill"] and DrillProgress(**said["drill"])
    return Report(mbpm=round(said["bpm"] * 1000), drill=drill, **fields)


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
