"""How long a bass line takes to be put on the neck: by notes, and for whole tunes.

`python -m tests.bench.fingering`. The time is the processor's, the best of a few.
"""

import sys
import time
from collections.abc import Callable

from pedal.library.library import Library
from pedal.music.neck.effort import Gap
from pedal.music.neck.fingerboard import FOUR, SIX, Instrument
from pedal.music.neck.fingering import Tone, cheapest_cycle
from pedal.music.plan import make_plan

SIX_24 = Instrument(tuning=SIX.tuning, frets=24)
ROOTS = (0, 0, 0, 0, 5, 5, 0, 0, 7, 5, 0, 7)  # twelve bars, semitones above the tonic
FIGURE = (0, 0, -5, -2, 0, 0, -5, -2)  # eighths: root twice, lower fifth, lower flat seventh
LOWEST_TONIC = 28
EIGHTH = Gap(90, 180)  # ms, at 160 beats a minute or so


def run(quick: bool) -> list[tuple[str, str]]:
    """Rows of (what, how long). `quick` measures less often and no long lines."""
    rounds = 2 if quick else 7
    rows = []
    for choruses in (1, 2, 4) if quick else (1, 2, 4, 8, 16, 32):
        line = tones(choruses)
        ms = best(rounds, lambda line=line: cheapest_cycle(line, octaves(), SIX_24))
        title = f"6 strings, 24 frets, 3 chords in 3 octaves each, {len(line)} notes"
        rows.append((title, f"{ms:.1f} ms, {1000 * ms / len(line):.0f} us a note"))
    library = Library()
    for title, instrument in (("4 strings, 20 frets", FOUR), ("6 strings, 24 frets", SIX_24)):
        took = {}
        for name in library.names("tune"):
            tune = library.tune(name)
            took[name] = best(rounds, lambda tune=tune, its=instrument: make_plan(tune, None, None, its))
        slowest = max(took, key=took.__getitem__)
        rows.append(
            (
                f"a whole plan, {title}, the slowest of {len(took)} tunes",
                f"{took[slowest]:.1f} ms ({slowest})",
            )
        )
    return rows


def tones(choruses: int) -> list[Tone]:
    """Choruses of eighths, one after another as one line."""
    return [Tone(root, step, EIGHTH) for root in ROOTS * choruses for step in FIGURE]


def octaves() -> dict[int, tuple[int, ...]]:
    """Three octaves for each chord's root."""
    return {root: tuple(LOWEST_TONIC + root + 12 * octave for octave in range(3)) for root in set(ROOTS)}


def best(rounds: int, work: Callable[[], object]) -> float:
    """The least processor time of some rounds, in ms."""
    took = []
    for _ in range(rounds):
        start = time.process_time_ns()
        work()
        took.append(time.process_time_ns() - start)
    return min(took) / 1e6


if __name__ == "__main__":
    for row in run("--quick" in sys.argv):
        print(f"{row[0]:<72} {row[1]}")
