"""A synth that writes down what it hears: `aseqdump` with a port of its own."""

import re
import subprocess
import tempfile
from pathlib import Path

from tests.support.wait import wait_for

_LINE = re.compile(r"^\s*\d+:\d+\s+(?P<what>\S.*?)\s\s+(?P<rest>.*)$", re.MULTILINE)


class Ear:
    """The port is called "aseqdump", and is there until `close`."""

    def __init__(self) -> None:
        self._path = Path(tempfile.mkstemp(prefix="ear-", dir="/run")[1])
        with self._path.open("w") as file:
            self._process = subprocess.Popen(
                ["stdbuf", "-oL", "aseqdump"], stdout=file, stdin=subprocess.DEVNULL
            )
        wait_for("aseqdump's port", lambda: "Waiting for data" in self._path.read_text(), 20)

    def heard(self) -> list[tuple[str, tuple[int, ...]]]:
        """Each event with its numbers: ("Note on", (channel, key, velocity)); channels from 0."""
        return [
            (one["what"], tuple(map(int, re.findall(r"\d+", one["rest"]))))
            for one in _LINE.finditer(self._path.read_text())
        ]

    def notes(self) -> list[tuple[int, int]]:
        """Channel and key of each note that was struck."""
        return [numbers[:2] for what, numbers in self.heard() if what == "Note on" and numbers[2]]

    def sounding(self) -> set[tuple[int, int]]:
        """What hangs on if nothing more comes."""
        on: set[tuple[int, int]] = set()
        for what, numbers in self.heard():
            if what == "Note on" and numbers[2]:
                on.add(numbers[:2])
            elif what in ("Note off", "Note on"):
                on.discard(numbers[:2])
            elif what == "Control change" and numbers[1] in (120, 123):
                on = {note for note in on if note[0] != numbers[0]}
        return on

    def close(self) -> None:
        """The synth is switched off."""
        if self._process.poll() is None:
            self._process.kill()
            self._process.wait()
        self._path.unlink(missing_ok=True)
