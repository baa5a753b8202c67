"""Where the box keeps things: under the service manager its directories, else the player's own."""

import os
from collections.abc import Mapping
from pathlib import Path

from ..errors import FileError, file_errors

SERVICE_CONTROL = Path("/run/pedal/control")
SERVICE_STATE = Path("/var/lib/pedal")
KEPT_SETTINGS = "settings-kept.toml"
_LOG, _STATE = "practice.sqlite", "last.json"
_OF_A_LOG = ("", "-wal", "-shm", "-journal")  # the file, and what SQLite puts beside it


def state_folder(environ: Mapping[str, str] = os.environ) -> Path:
    """The folder of the practice log and of what is remembered. It may not be there yet."""
    if given := _first(environ, "STATE_DIRECTORY"):
        return given
    home = environ.get("XDG_STATE_HOME", "")
    return (Path(home) if os.path.isabs(home) else Path.home() / ".local" / "state") / "pedal"


def log_file(environ: Mapping[str, str] = os.environ) -> Path:
    """The practice log."""
    return state_folder(environ) / _LOG


def log_to_read(environ: Mapping[str, str] = os.environ) -> Path:
    """Our own practice log, else that of the service on this machine. FileError if we may not even look."""
    own, service = log_file(environ), SERVICE_STATE / _LOG
    for log in (own, service):
        with file_errors(f"practice log {str(log)!r} cannot be read"):
            if log.exists():
                return log
    return own


def state_file(environ: Mapping[str, str] = os.environ) -> Path:
    """Tune, key, tempo and mode as of the last stop."""
    return state_folder(environ) / _STATE


def spare_ours(path: Path, log: Path | None = None, environ: Mapping[str, str] = os.environ) -> None:
    """FileError if a file is, by whatever name, one that the box keeps, or `log`, or SQLite's beside it."""
    folders = (state_folder(environ), SERVICE_STATE)
    logs = [folder / _LOG for folder in folders] + ([log] if log else [])
    ours = [Path(os.path.realpath(one) + tail) for one in logs for tail in _OF_A_LOG]
    ours += [folder / name for folder in folders for name in (_STATE, KEPT_SETTINGS)]
    if any(_same(path, one) for one in ours):
        raise FileError(f"{str(path)!r} is the practice log or what the box remembers: never written over")


def _same(one: Path, other: Path) -> bool:
    if os.path.realpath(one) == os.path.realpath(other):  # neither need be there
        return True
    try:
        return os.path.samefile(one, other)
    except OSError:
        return False


def control_socket(environ: Mapping[str, str] = os.environ) -> Path:
    """The socket on which a running box listens."""
    if given := _first(environ, "RUNTIME_DIRECTORY"):
        return given / "control"
    return _own_control(environ)


def control_sockets(environ: Mapping[str, str] = os.environ) -> list[Path]:
    """Where a box may be listening, the likeliest first: our own, then the service."""
    return list(dict.fromkeys([control_socket(environ), _own_control(environ), SERVICE_CONTROL]))


def _own_control(environ: Mapping[str, str]) -> Path:
    runtime = environ.get("XDG_RUNTIME_DIR", "")
    if os.path.isabs(runtime):
        return Path(runtime) / "pedal" / "control"
    return Path(f"/tmp/pedal-{os.getuid()}") / "control"


def _first(environ: Mapping[str, str], name: str) -> Path | None:
    """systemd separates several directories by colons."""
    given = environ.get(name, "").split(":")[0]
    return Path(given) if os.path.isabs(given) else None
