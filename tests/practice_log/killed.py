"""A writer of the practice log that is killed again and again, in a process without threads.

    killed.py FOLDER KILLS LONGEST SEED

Each time a forked child opens the log and adds entries, reporting each commit on a pipe; a SIGKILL
comes at a random moment, LONGEST seconds later at most. Then the log must open, be sound, and have
every entry that was reported.
Every 40 kills a new log is begun, so that kills fall into the making of it, too. Prints how many
kills fell before the first commit and after it, and how many entries were kept.
"""

import os
import random
import signal
import subprocess
import sys
import tempfile
import time
from contextlib import closing
from pathlib import Path

from pedal.practice_log.store import Chorus, Log, LogReader

ANEW = 40
FAST = "/dev/shm" if os.path.isdir("/dev/shm") else None  # there a commit does not wait for a disk


def killed(folder: Path, kills: int, longest_s: float, seed: int = 7) -> tuple[int, int, int]:
    """This file as a process: kills before the first commit, after it, and entries that were kept."""
    done = subprocess.run(
        [sys.executable, __file__, folder, str(kills), str(longest_s), str(seed)],
        env={**os.environ, "PYTHONPATH": str(Path(__file__).parents[2])},
        capture_output=True,
        text=True,
    )
    assert done.returncode == 0, done.stderr
    early, late, entries = map(int, done.stdout.split())
    assert early + late == kills
    return early, late, entries


def check_killed_in_memory(kills: int, seed: int = 7) -> None:
    """Kills fall into all that a writer does, where a disk does not hold it up for most of the time."""
    with tempfile.TemporaryDirectory(dir=FAST) as folder:
        early, late, entries = killed(Path(folder), kills, 0.008, seed)
    if FAST:
        assert early > kills // 20 and late > kills // 20 and entries > kills


def write(path: Path, pipe: int, first: int) -> None:
    """The child: entries numbered from `first`, until it is killed."""
    log = Log(path)
    session = log.begin("2026-11-25T10:00:00+00:00")
    number = first
    while True:
        log.add(session, Chorus("2026-11-25T10:00:01+00:00", "tune" * 50, "A", number, 1))
        os.write(pipe, f"{number}\n".encode())
        number += 1


def reported(pipe: int) -> list[int]:
    """What the child has said; a last line without its end was never written whole."""
    said = b""
    while part := os.read(pipe, 65536):
        said += part
    return [int(line) for line in said.split(b"\n")[:-1]]


def main(folder: Path, kills: int, longest_s: float, seed: int) -> None:
    dice = random.Random(seed)
    early = late = 0
    kept: set[int] = set()
    number = 0
    for kill in range(kills):
        if kill % ANEW == 0:
            path, kept = folder / f"log-{kill}.sqlite", set()
        near, far = os.pipe()
        child = os.fork()
        if child == 0:
            os.close(near)
            try:
                write(path, far, number)
            finally:
                os._exit(1)
        os.close(far)
        until = time.perf_counter() + dice.uniform(0, longest_s)
        while time.perf_counter() < until:
            pass
        os.kill(child, signal.SIGKILL)
        _, status = os.waitpid(child, 0)
        assert os.WIFSIGNALED(status), f"kill {kill}: the writer ended by itself"
        new = reported(near)
        os.close(near)
        early, late = early + (not new), late + bool(new)
        kept.update(new)
        if path.exists():
            with closing(Log(path)):  # opens for writing, too
                pass
            with closing(LogReader(path)) as reader:  # which checks all of the file
                found = {entry.mbpm for entry in reader.choruses()}
            assert kept <= found, f"kill {kill}: lost {sorted(kept - found)}"
            # One more may have been committed, but not reported any more.
            assert len(found - kept) <= 1, f"kill {kill}: {sorted(found - kept)} out of nowhere"
            kept |= found
        else:
            assert not kept
        number = max(kept, default=number) + 1
    print(early, late, number)


if __name__ == "__main__":
    main(Path(sys.argv[1]), int(sys.argv[2]), float(sys.argv[3]), int(sys.argv[4]))
