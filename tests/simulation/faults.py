"""Faults planted on purpose, one line each: the simulation must find every one of them.

`python -m tests.simulation.faults` applies each to a copy of the project, runs an hour of simulated
time there, and prints a table.
"""

import argparse
import os
import shutil
import subprocess
import sys
import tempfile
from pathlib import Path
from typing import NamedTuple

ROOT = Path(__file__).resolve().parents[2]


class Fault(NamedTuple):
    """In `file` of `pedal/`, `right` becomes `wrong`."""

    name: str
    file: str
    right: str
    wrong: str
    seed: int = 1  # where the hour begins: not every hour has a foot that does what it takes


FAULTS = (
    Fault(
        "off by one at the wrap",
        "session/next_beat.py",
        "by_clock(plan, position) and position.bar < len(cells(plan, position)),",
        "by_clock(plan, position) and position.bar < len(cells(plan, position)) - 1,",
    ),
    Fault(
        "note-offs dropped on a tempo change",
        "session/note_queue.py",
        "            self._moved_off(entry, entry.tick, after + 1)\n",
        "            entry._replace(due=1 << 62)\n",
    ),
    Fault(
        "lamp from the next position",
        "session/lamp_patterns.py",
        "now = _lamp(plan, cell(plan, position).form_chord)",
        "now = _lamp(plan, max(0, cell(plan, position).coming))",
    ),
    Fault(
        "deaf window missing",
        "session/session.py",
        'if name == NOTHING or not self._state.deaf or kind == "hold":',
        "if True:",
    ),
    Fault(
        "late cue taken as on time",
        "session/cues.py",
        "LATE_NS = 20 * NS_PER_MS",
        "LATE_NS = 0",
    ),
    Fault(
        "a key struck again without its off",
        "session/note_queue.py",
        "                    out.append(_off(old, entry.due))\n                status",
        "                    pass\n                status",
    ),
    Fault(
        "stop without silence",
        "session/session.py",
        "        self._queue.silence(after)\n",
        "",
    ),
    Fault(
        "no limit on flashes",
        "session/lamp_scheduler.py",
        "FLASHES = 3",
        "FLASHES = 30",
    ),
    Fault(
        "a fill while the vamp waits",
        "session/beat_context.py",
        "    here = here._replace(with_tail=False)\n",
        "    here = here._replace(with_tail=False, fill=2)\n",
    ),
    Fault(
        "a cue that is never used up",
        "session/form_position.py",
        "        cue=None,\n        hit=False,",
        "        hit=False,",
    ),
    Fault(
        "a drill that starts below half",
        "session/drill.py",
        "FLOOR = 700, 1000, 500",
        "FLOOR = 400, 1000, 500",
    ),
    Fault(
        "a vamp that does not wait",
        "session/form_position.py",
        '    if position.mode != "vamp" or position.chorus == 0:',
        "    if True:",
    ),
    Fault(
        "the last time forgotten at the wrap",
        "session/form_position.py",
        "return self.last == self.chorus > 0",
        "return self.last == self.chorus > 9",
    ),
    Fault(
        "place lost on a tempo change",
        "music/timeline.py",
        "return Timeline(tick, self.at(tick), mbpm",
        "return Timeline(tick, self.at(tick) + 7_000, mbpm",
    ),
    Fault(
        "sends in no order",
        "session/note_queue.py",
        "entry = heapq.heappop(queue)",
        "entry = queue.pop(0)",
    ),
    Fault(
        "the lamps one beat behind",
        "session/lamp_patterns.py",
        "    start = timeline.at(position.tick) + latency_ns\n",
        "    start = timeline.at(position.tick + plan.feel.ticks) + latency_ns\n",
    ),
    Fault(
        "a withdrawn cue stays armed",
        "session/cues.py",
        'Undo((("position.cue", None),), until=line)',
        "Undo((), until=line)",
        seed=2,
    ),
    Fault(
        "a rule of the form out of order",
        "session/next_beat.py",
        "    for rule in RULES:\n",
        "    for rule in (*RULES[:5], *reversed(RULES[5:12]), *RULES[12:]):\n",
    ),
)


def caught(fault: Fault, hours: float = 1.0) -> str:
    """What the simulation says of a copy with the fault in it; empty if it finds nothing."""
    with tempfile.TemporaryDirectory() as folder:
        copy = Path(folder)
        for name in ("pedal", "sequences", "tests"):
            shutil.copytree(
                ROOT / name, copy / name, ignore=shutil.ignore_patterns("__pycache__", "real", "machine")
            )
        path = copy / "pedal" / fault.file
        source = path.read_text(encoding="utf-8")
        if source.count(fault.right) != 1:
            raise LookupError(f"{fault.name}: {fault.file} has changed; {fault.right!r} is not there once")
        path.write_text(source.replace(fault.right, fault.wrong), encoding="utf-8")
        run = subprocess.run(
            [
                sys.executable,
                "-m",
                "tests.simulation",
                "--hours",
                str(hours),
                "--seed",
                str(fault.seed),
                "--first",
            ],
            cwd=copy,
            env={**os.environ, "PYTHONPATH": str(copy)},
            capture_output=True,
            text=True,
        )
        if run.returncode == 0:
            return ""
        return run.stdout.splitlines()[0] if run.stdout else run.stderr.strip().splitlines()[-1]


def main() -> int:
    """Exit status 1 if a fault is not found, 2 if no fault is called so."""
    parser = argparse.ArgumentParser(prog="python -m tests.simulation.faults", description=__doc__)
    parser.add_argument("part", nargs="?", default="", help="only those with this in their name")
    part = parser.parse_args().part
    chosen = [fault for fault in FAULTS if part in fault.name]
    if not chosen:
        parser.error(f"no fault has {part!r} in its name")
    missed = 0
    for fault in chosen:
        says = caught(fault)
        missed += not says
        print(f"{fault.name:<40} {says[:100] or 'NOT FOUND'}", flush=True)
    print(f"{len(chosen) - missed} passed, {missed} failed")
    return 1 if missed else 0


if __name__ == "__main__":
    sys.exit(main())
