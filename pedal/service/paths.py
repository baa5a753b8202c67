"""Where the box keeps things: under the service manager its directories, else the player's own."""

import os
from collections.abc import Mapping
from pathlib import Path

SERVICE_CONTROL = Path("/run/pedal/control")
SERVICE_STATE = Path("/var/lib/pedal")


def state_folder(environ: Mapping[str, str] = os.environ) -> Path:
    """The folder of the practice log and of what is remembered. It may not be there yet."""
    if given := _first(environ, "STATE_DIRECTORY"):
        return given
    home = environ.get("XDG_STATE_HOME", "")
    return (Path(home) if os.path.isabs(home) else Path.home() / ".local" / "state") / "pedal"


def log_file(environ: Mapping[str, str] = os.environ) -> Path:
    """The practice log."""
    return state_folder(environ) / "practice.sqlite"


def log_to_read(environ: Mapping[str, str] = os.environ) -> Path:
    """Our own practice log, else that of the service on this machine."""
    own, service = log_file(environ), SERVICE_STATE / "practice.sqlite"
    return service if not own.exists() and service.exists() else own


def state_file(environ: Mapping[str, str] = os.environ) -> Path:
    """Tune, key, tempo and mode as of the last stop."""
    return state_folder(environ) / "last.json"


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
