"""Where the control socket lies, and who may use it.

It is made beside its path and moved there when its rights are right (0660), so that nobody can
connect before. What a box that died has left is replaced; a box that runs is left alone.
"""

import contextlib
import grp
import os
import socket
import stat
from collections.abc import Sequence
from pathlib import Path

from ...errors import UserError

MODE = 0o660
_BACKLOG = 64


class ControlError(UserError):
    """The control socket cannot be made or used."""


def listen(path: Path, group: str | None = None) -> tuple[socket.socket, tuple[int, int]]:
    """A socket that listens at `path`, and what it is known by. Raises ControlError."""
    try:
        number = grp.getgrnam(group).gr_gid if group else -1
    except KeyError:
        raise ControlError(f"no control socket: there is no group {group!r}") from None
    part = path.with_name(f".{path.name}.{os.getpid()}")
    listener = socket.socket(socket.AF_UNIX, socket.SOCK_STREAM)
    try:
        _make_folder(path.parent)
        if _answers(path):
            raise ControlError(f"no control socket: another box is running ({path})")
        with contextlib.suppress(FileNotFoundError):
            part.unlink()
        listener.bind(str(part))
        os.chmod(part, MODE)
        if number != -1:
            os.chown(part, -1, number)
        listener.listen(_BACKLOG)
        listener.setblocking(False)
        state = os.stat(part)
        os.rename(part, path)
        return listener, (state.st_dev, state.st_ino)
    except ControlError:
        listener.close()
        raise
    except OSError as error:  # the system has no more room for a path than about 100 bytes
        listener.close()
        with contextlib.suppress(OSError):
            part.unlink()
        raise ControlError(f"no control socket at {path}: {error.strerror or error}") from None


def give_back(path: Path, known: tuple[int, int]) -> None:
    """Take our socket away, unless there is another one at its path by now."""
    with contextlib.suppress(OSError):
        state = os.stat(path)
        if (state.st_dev, state.st_ino) == known:
            path.unlink()


def connect(paths: Sequence[Path], timeout_s: float) -> socket.socket:
    """A connection to the first box that answers; `timeout_s` is for each step. Raises ControlError."""
    refused = None
    for path in paths:
        connection = socket.socket(socket.AF_UNIX, socket.SOCK_STREAM)
        connection.settimeout(timeout_s)
        try:
            connection.connect(str(path))
            return connection
        except PermissionError:
            refused = path
        except OSError:
            pass
        connection.close()
    if refused:
        raise ControlError(f"you may not control the box at {refused}: {_whose(refused)}")
    looked = ", ".join(map(str, paths))
    raise ControlError(f"no box is running here (try: pedal run); looked for it at {looked}")


def _whose(path: Path) -> str:
    try:
        group = grp.getgrgid(os.stat(path).st_gid).gr_name
    except (OSError, KeyError):
        return "it is somebody else's"
    return f"only members of the group {group!r} may"


def _make_folder(folder: Path) -> None:
    """Ours alone if we make it; in /tmp anybody could have made it before us."""
    with contextlib.suppress(FileExistsError):
        folder.mkdir(mode=0o700, parents=False)
    state = os.lstat(folder)
    in_tmp = stat.S_ISVTX & os.stat(folder.parent).st_mode
    if in_tmp and not (
        stat.S_ISDIR(state.st_mode) and state.st_uid == os.getuid() and not state.st_mode & 0o022
    ):
        raise ControlError(f"no control socket: {folder} is not ours alone")


def _answers(path: Path) -> bool:
    with socket.socket(socket.AF_UNIX, socket.SOCK_STREAM) as probe:
        probe.settimeout(0.5)
        try:
            probe.connect(str(path))
            return True
        except OSError:
            return False
