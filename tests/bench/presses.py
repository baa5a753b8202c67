"""From the press to what it does: the lamp that answers, and the silence after a stop.

A press changes no message that is due less than 20 ms after it (DESIGN, FREEZE): what is being
sent stays as it is. So a stop is heard 20 ms after the press, by design, and what is measured is
how much later than that the last message of the silence has left.
"""

from bisect import bisect_left

from pedal.events import NS_PER_MS
from pedal.session.state import FREEZE_NS
from tests.bench.figures import HEAD, figures, row
from tests.bench.lateness import BPM
from tests.bench.machine import Machine, load

_SAME_NS = NS_PER_MS  # a lamp that the press has changed is due right at it
_ALL_SOUND_OFF = 120


def lamp_latencies(run: dict) -> list[int]:
    """From each press to the end of writing the first lamp that it changed."""
    written = run["lights"]
    due = [line["at_ns"] for line in run["lines"] if line["type"] == "lamp"]
    edges = [line["at_ns"] for line in run["lines"] if line["type"] == "press" and line["down"]]
    found = []
    for pressed, at in zip(run["presses"], edges, strict=False):
        index = bisect_left(due, at)
        if index < min(len(due), len(written)) and due[index] - at < _SAME_NS:
            found.append(written[index] - pressed)
    return found


def silence_latencies(run: dict) -> list[int]:
    """From each press to the last "all sound off", less the 20 ms it has to wait."""
    last = max(data[0] for _, data in run["noted"] if data[0] & 0xF0 == 0xB0)
    offs = [at for at, data in run["noted"] if data[:2] == [last, _ALL_SOUND_OFF]]
    found = []
    for pressed, following in zip(run["presses"], [*run["presses"][1:], None], strict=True):
        index = bisect_left(offs, pressed)
        if index < len(offs) and (following is None or offs[index] < following):
            found.append(offs[index] - pressed - FREEZE_NS)
    return found


def answered(machine: Machine, slices: int, seconds: float, winked: list[dict]) -> list[str]:
    """The table. `winked` are runs in which every press was to be answered by a wink."""
    with load(True):
        stopped = [
            machine.engine(foot="stop", seconds=seconds, bpm=BPM, seed=number) for number in range(slices)
        ]
    winks = [late for run in winked for late in lamp_latencies(run)]
    out = [late for run in stopped for late in lamp_latencies(run)]
    silences = [late for run in stopped for late in silence_latencies(run)]
    presses = sum(len(run["presses"]) for run in winked), sum(len(run["presses"]) for run in stopped)
    return [
        HEAD,
        row(f"press to wink written ({presses[0]} presses)", figures(winks)),
        row(f"stop to lamps out ({presses[1]} presses)", figures(out)),
        row("stop to all sound off, less 20 ms", figures(silences)),
    ]
