"""What the benchmarks need of the machine: a MIDI system, a compiler, something to keep it busy."""

import json
import os
import shutil
import subprocess
import sys
import tempfile
from collections import ChainMap
from collections.abc import Iterator, Mapping, Sequence
from contextlib import ExitStack, contextmanager
from importlib.util import find_spec
from pathlib import Path
from typing import Any

from tests.support.servers import jack_server

EAR = "Bench Ear"
PRIORITY = 30


class Machine:
    """A folder for files, the port to play to, and what there is to compare with."""

    def __init__(self, folder: Path, jack: Mapping[str, str] | None, floor: Path | None) -> None:
        """`jack`: the variables that make a server the one to use."""
        self.folder, self._jack, self._floor = folder, jack, floor
        self.port = EAR if jack else ""
        self.missing: list[str] = []
        if not jack:
            self.missing.append("no JACK server or no JACK-Client: the port is a silent one")
        if not floor:
            self.missing.append("no C compiler: no floor to compare with")

    def in_folder(self, name: str) -> "Machine":
        """The same with files of its own, to run beside this one."""
        folder = self.folder / name
        folder.mkdir(exist_ok=True)
        return Machine(folder, self._jack, self._floor)

    def engine(self, **wanted: Any) -> dict[str, Any]:
        """Run `tests.bench.subject`; its result, with the lines of its trace."""
        out, trace = self.folder / "result.json", self.folder / "trace.jsonl"
        trace.unlink(missing_ok=True)
        usual = {"bpm": 1200, "foot": None, "bare": False, "priority": True, "seed": 1, "seconds": 5}
        usual["strict"] = True
        wanted = usual | {"port": self.port, "out": str(out)} | wanted
        wanted["trace"] = None if wanted["bare"] else str(trace)
        # Nothing of the player's is touched: the practice log and the control socket are in our folder.
        own = {"XDG_STATE_HOME": str(self.folder), "XDG_RUNTIME_DIR": str(self.folder)}
        done = _run([sys.executable, "-m", "tests.bench.subject", json.dumps(wanted)], self._jack, own)
        result = json.loads(out.read_text())
        result["said"] = done.stderr
        if not wanted["bare"]:
            # From its end on, the bench's own foot gathers the result beside the loop: that is not measured.
            lines = map(json.loads, trace.read_text().splitlines())
            result["lines"] = [line for line in lines if line.get("due_ns", 0) < result["end_ns"]]
        return result

    def floor(self, dues: Sequence[int], priority: bool) -> list[int] | None:
        """Lateness of absolute sleeps in C; None if there is no compiler or no privilege."""
        if not self._floor:
            return None
        text = "\n".join(map(str, dues))
        done = subprocess.run(
            [self._floor, str(PRIORITY * priority)], input=text, capture_output=True, text=True
        )
        return [int(line) for line in done.stdout.split()] if done.returncode == 0 else None

    def mido(self, song: Path) -> list[tuple[int, int]]:
        """Place and lateness of each message of `MidiFile.play`."""
        done = _run([sys.executable, "-m", "tests.bench.mido_play", str(song), self.port], self._jack)
        return [tuple(map(int, line.split())) for line in done.stdout.splitlines()]


def _run(command: list[str], *more: Mapping[str, str] | None) -> subprocess.CompletedProcess:
    environ = dict(ChainMap(*(dict(each) for each in more if each), os.environ))
    done = subprocess.run(command, capture_output=True, text=True, stdin=subprocess.DEVNULL, env=environ)
    if done.returncode:
        raise RuntimeError(f"{' '.join(command)} ended with {done.returncode}: {done.stderr}")
    return done


@contextmanager
def machine() -> Iterator[Machine]:
    """All of it, for the time of the benchmarks."""
    with tempfile.TemporaryDirectory(prefix="pedal-bench-") as name, ExitStack() as stack:
        folder = Path(name)
        jack = _jack(stack, folder)
        yield Machine(folder, jack, _build_floor(folder))


def _jack(stack: ExitStack, folder: Path) -> dict[str, str] | None:
    """A JACK server without a sound card, and an ear on it; None if they cannot be had.

    Both are other processes: libjack remembers the first server that a process has seen.
    """
    if shutil.which("jackd") is None or not find_spec("jack"):
        return None
    variables = stack.enter_context(jack_server(f"pedal-bench-{os.getpid()}", folder / "jackd.log"))
    with open(folder / "ear.log", "wb") as log:
        ear = subprocess.Popen(
            [sys.executable, "-m", "tests.bench.ear", EAR],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            stderr=log,
            env={**os.environ, **variables},
        )
    stack.callback(ear.wait)
    stack.callback(ear.stdin.close)
    if ear.stdout.readline() != b"there\n":
        raise RuntimeError(f"no ear on JACK: {(folder / 'ear.log').read_text()}")
    return variables


def _build_floor(folder: Path) -> Path | None:
    compiler = shutil.which("cc") or shutil.which("gcc")
    if not compiler:
        return None
    program = folder / "floor"
    source = Path(__file__).with_name("floor.c")
    subprocess.run([compiler, "-O2", "-o", program, source], check=True)
    return program


# It ends with whoever wanted it, even if that was killed.
_BUSY = """
import os
parent = os.getppid()
while os.getppid() == parent:
    for _ in range(10_000_000):
        pass
"""


@contextmanager
def load(busy: bool) -> Iterator[None]:
    """Every core busy with something of everyday priority, or not."""
    loops = [subprocess.Popen([sys.executable, "-c", _BUSY]) for _ in range((os.cpu_count() or 1) * busy)]
    try:
        yield
    finally:
        for loop in loops:
            loop.kill()
        for loop in loops:
            loop.wait()
