"""What the benchmarks need of the machine: a MIDI system, a compiler, something to keep it busy."""

import json
import os
import shutil
import subprocess
import sys
import tempfile
from collections.abc import Iterator, Mapping, Sequence
from contextlib import ExitStack, contextmanager
from pathlib import Path
from typing import Any

from tests.real.servers import jack_server, server_answers
from tests.real.wait import wait_for

EAR = "Bench Ear"
PRIORITY = 30


class Machine:
    """A folder for files, the port to play to, and what there is to compare with."""

    def __init__(self, folder: Path, port: str, floor: Path | None) -> None:
        self.folder, self.port, self._floor = folder, port, floor
        self.missing: list[str] = []
        if not port:
            self.missing.append("no JACK server or no JACK-Client: the port is a silent one")
        if not floor:
            self.missing.append("no C compiler: no floor to compare with")

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
        done = _run([sys.executable, "-m", "tests.bench.subject", json.dumps(wanted)], own)
        result = json.loads(out.read_text())
        result["said"] = done.stderr
        if not wanted["bare"]:
            result["lines"] = [json.loads(line) for line in trace.read_text().splitlines()]
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
        done = _run([sys.executable, "-m", "tests.bench.mido_play", str(song), self.port])
        return [tuple(map(int, line.split())) for line in done.stdout.splitlines()]


def _run(command: list[str], more: Mapping[str, str] | None = None) -> subprocess.CompletedProcess:
    environ = {**os.environ, **(more or {})}
    done = subprocess.run(command, capture_output=True, text=True, stdin=subprocess.DEVNULL, env=environ)
    if done.returncode:
        raise RuntimeError(f"{' '.join(command)} ended with {done.returncode}: {done.stderr}")
    return done


@contextmanager
def machine() -> Iterator[Machine]:
    """All of it, for the time of the benchmarks."""
    with tempfile.TemporaryDirectory(prefix="pedal-bench-") as name, ExitStack() as stack:
        folder = Path(name)
        port = _ear(stack, folder)
        yield Machine(folder, port, _build_floor(folder))


def _ear(stack: ExitStack, folder: Path) -> str:
    """Something to play to, on a JACK server without a sound card; "" if that cannot be had."""
    try:
        import jack
    except (ImportError, OSError):
        return ""
    if shutil.which("jackd") is None:
        return ""
    server = f"pedal-bench-{os.getpid()}"
    variables = stack.enter_context(jack_server(server, folder / "jackd.log"))
    os.environ.update(variables)
    wait_for("the JACK server", server_answers)
    ear = jack.Client(EAR, no_start_server=True)
    ear.midi_inports.register("in")
    ear.activate()
    stack.callback(ear.close)
    stack.callback(ear.deactivate)
    return EAR


def _build_floor(folder: Path) -> Path | None:
    compiler = shutil.which("cc") or shutil.which("gcc")
    if not compiler:
        return None
    program = folder / "floor"
    source = Path(__file__).with_name("floor.c")
    subprocess.run([compiler, "-O2", "-o", program, source], check=True)
    return program


@contextmanager
def load(busy: bool) -> Iterator[None]:
    """Every core busy with something of everyday priority, or not."""
    loops = [
        subprocess.Popen([sys.executable, "-c", "while True: pass"])
        for _ in range((os.cpu_count() or 1) * busy)
    ]
    try:
        yield
    finally:
        for loop in loops:
            loop.kill()
        for loop in loops:
            loop.wait()
