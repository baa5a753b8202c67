"""The `pedal` command as a process, on a machine that has neither a sound card nor a JACK server."""

import os
import subprocess
import sysconfig
from pathlib import Path

PEDAL = str(Path(sysconfig.get_path("scripts")) / "pedal")


def lonely() -> dict[str, str]:
    """Environment variables with which no JACK server is found."""
    return {**os.environ, "JACK_DEFAULT_SERVER": "pedal-nobody", "JACK_NO_START_SERVER": "1"}


def pedal(*arguments: object, folder: Path | None = None, **more: str) -> subprocess.CompletedProcess[str]:
    """Run a command that ends by itself; `more` are environment variables."""
    return subprocess.run(
        [PEDAL, *map(str, arguments)],
        stdin=subprocess.DEVNULL,
        capture_output=True,
        text=True,
        cwd=folder,
        env={**lonely(), **more},
        timeout=30,
    )


def complaint(*arguments: object, status: int = 1, **more: str) -> str:
    """What a command that cannot go on says: one line, on standard error alone."""
    done = pedal(*arguments, **more)
    assert (done.returncode, done.stdout) == (status, "")
    assert done.stderr.endswith("\n") and done.stderr.count("\n") == 1, done.stderr
    return done.stderr.rstrip("\n")
