"""How late messages leave: the engine, the C floor and mido side by side, in slices of one run."""

from collections import defaultdict
from collections.abc import Iterable, Sequence
from itertools import groupby, pairwise

from pedal.events import NS_PER_MS, Send
from pedal.export.midi import midi_file
from pedal.export.performance import performance_of
from pedal.library.library import Library
from pedal.library.plans import plan_for
from tests.bench.figures import HEAD, Figures, figures, per_slice, row
from tests.bench.machine import Machine, load
from tests.bench.subject import TUNE, outputs

BPM = 1200  # dense: 120 slots a second
LOADS = (("idle", False), ("both cores busy", True))

Slots = tuple[list[int], list[int], list[int]]


def slots(messages: Iterable[tuple[int, int]]) -> Slots:
    """Of (due, lateness): the first of each slot, each further one, and from one to the next in a slot.

    A slot is what is due at the same moment.
    """
    first, further, gaps = [], [], []
    for _, together in groupby(messages, key=lambda message: message[0]):
        late = [lateness for _, lateness in together]
        first.append(late[0])
        further += late[1:]
        gaps += [after - before for before, after in pairwise(late)]
    return first, further, gaps


def of_trace(lines: Iterable[dict]) -> Slots:
    """The slots of a flight recorder's lines."""
    return slots((line["due_ns"], line["sent_ns"] - line["due_ns"]) for line in lines if "sent_ns" in line)


class Cells:
    """Slices of measurements by the cell of the table they belong to."""

    def __init__(self) -> None:
        self._slices: dict[tuple[str, ...], list[list[int]]] = defaultdict(list)

    def add(self, *cell: str, values: Sequence[int] | None) -> None:
        """Another slice of a cell; None where it cannot be measured."""
        if values is not None:
            self._slices[cell].append(list(values))

    def pooled(self, *cell: str) -> list[int]:
        """All values of a cell."""
        return [value for values in self._slices[cell] for value in values]

    def lines(self, title: str, *cell: str, spread: bool = False) -> list[str]:
        """The cell as lines of the table."""
        slices = self._slices[cell]
        lines = [row(title, figures(self.pooled(*cell)))]
        if spread and slices:
            lines.append(f"      {len(slices)} slices, lowest/middle/highest: {per_slice(slices)}")
        return lines


def side_by_side(machine: Machine, rounds: int, seconds: float) -> list[str]:
    """The table of lateness: every round has one slice of every cell."""
    made = outputs(BPM, seconds)
    dues = sorted({output.due for output in made if isinstance(output, Send)})
    song = machine.folder / "song.mid"
    song.write_bytes(midi_file(performance_of(plan_for_bench(), made)))
    cells, granted = Cells(), True
    for number in range(rounds):
        for loaded, busy in LOADS:
            with load(busy):
                for priority in (True, False):
                    run = machine.engine(priority=priority, seconds=seconds, bpm=BPM, seed=number)
                    kind = "with" if priority else "without"
                    if priority and not run["granted"]:
                        granted = False
                    else:
                        for part, values in zip(
                            ("first", "further", "gap"), of_trace(run["lines"]), strict=True
                        ):
                            cells.add("engine", loaded, kind, part, values=values)
                        cells.add("compose", loaded, kind, values=run["composed"])
                    cells.add("floor", loaded, kind, values=machine.floor(dues, priority))
                for part, values in zip(("first", "further", "gap"), slots(machine.mido(song)), strict=True):
                    cells.add("mido", loaded, part, values=values)
    return _table(cells, granted)


def _table(cells: Cells, granted: bool) -> list[str]:
    out = [HEAD]
    if not granted:
        out.append("  real-time priority is not permitted here: cells with it are empty")
    for loaded, _ in LOADS:
        for kind in ("with", "without"):
            out.append(f"  -- {loaded}, {kind} priority")
            out += cells.lines("C floor", "floor", loaded, kind, spread=True)
            out += cells.lines("engine, first of a slot", "engine", loaded, kind, "first", spread=True)
            out += cells.lines("engine, further ones", "engine", loaded, kind, "further")
            out += cells.lines("engine, after the one before in its slot", "engine", loaded, kind, "gap")
            out += cells.lines("engine, composing a beat", "compose", loaded, kind)
            out += _ratios(cells, loaded, kind)
        out += cells.lines("MidiFile.play as shipped, first", "mido", loaded, "first", spread=True)
        out += cells.lines("MidiFile.play as shipped, further", "mido", loaded, "further")
    return out


def _ratios(cells: Cells, loaded: str, kind: str) -> list[str]:
    ours, floor = (
        figures(cells.pooled("engine", loaded, kind, "first")),
        figures(cells.pooled("floor", loaded, kind)),
    )
    mido = figures(cells.pooled("mido", loaded, "first"))
    lines = []
    if ours and floor:
        lines.append(f"      to the floor: {_shares(ours, floor)}")
    if ours and mido:
        lines.append(f"      p99 below MidiFile.play: {mido.p99 / max(1, ours.p99):.0f} x")
    return lines


def _shares(ours: Figures, floor: Figures) -> str:
    shares = (
        f"{name} {a / max(1, b):.2f} x"
        for name, a, b in zip(("p50", "p99", "p99.9"), ours[1:4], floor[1:4], strict=True)
    )
    return f"{', '.join(shares)}, > 1 ms {ours.late - floor.late:+.2f} points"


def between_floors(machine: Machine, rounds: int, seconds: float, bpm: float = BPM) -> list[str]:
    """The engine with priority between two floors, and how far those are from each other.

    Each round has the floor, the engine, and the floor again: what two runs of the same C program
    differ by is the machine's own share in any ratio.
    """
    dues = sorted({output.due for output in outputs(bpm, seconds) if isinstance(output, Send)})
    cells, out = Cells(), [HEAD]
    for number in range(rounds):
        for loaded, busy in LOADS:
            with load(busy):
                cells.add("before", loaded, values=machine.floor(dues, True))
                run = machine.engine(seconds=seconds, bpm=bpm, seed=number)
                if run["granted"]:
                    cells.add("engine", loaded, values=of_trace(run["lines"])[0])
                cells.add("after", loaded, values=machine.floor(dues, True))
    for loaded, _ in LOADS:
        out.append(f"  -- {loaded}, with priority")
        out += cells.lines("C floor, before", "before", loaded, spread=True)
        out += cells.lines("engine, first of a slot", "engine", loaded, spread=True)
        out += cells.lines("C floor, after", "after", loaded, spread=True)
        ours, *floors = (figures(cells.pooled(name, loaded)) for name in ("engine", "before", "after"))
        if ours and all(floors):
            for name, floor in zip(("first", "second"), floors, strict=True):
                out.append(f"      engine to the {name} floor: {_shares(ours, floor)}")
            out.append(f"      second floor to the first: {_shares(floors[1], floors[0])}")
    return out


def plan_for_bench():
    """The plan that the schedule is made of."""
    return plan_for(Library(None), TUNE, None, BPM)


# ---- working against doing nothing else --------------------------------------------------


def of_notes(run: dict) -> Slots:
    """Slots of a run without trace: what was due, in order, against when it was sent."""
    sent = run["noted"][-len(run["dues"]) :]
    begin = run["begin_ns"]
    return slots((due, at - begin - due) for due, (at, _) in zip(run["dues"], sent, strict=False))


def at_work(machine: Machine, rounds: int, seconds: float) -> tuple[list[str], list[dict]]:
    """The engine at work with a foot, and doing nothing else; the table, and the runs with presses."""
    cells, runs = Cells(), []
    with load(True):
        for number in range(rounds):
            run = machine.engine(foot="soft", seconds=seconds, bpm=BPM, seed=number)
            runs.append(run)
            cells.add("work", values=of_trace(run["lines"])[0])
            cells.add("bare", values=of_notes(machine.engine(bare=True, seconds=0.7 * seconds, bpm=BPM))[0])
    work, bare = figures(cells.pooled("work")), figures(cells.pooled("bare"))
    out = [HEAD]
    out += cells.lines("tracing, composing, lamps, taking presses", "work", spread=True)
    out += cells.lines("doing nothing else", "bare", spread=True)
    allowed = max(1.2 * bare.p99, bare.p99 + 50_000)
    out.append(f"      p99 at work is {work.p99 / allowed:.2f} x of what is allowed")
    return out, runs


# ---- drift ------------------------------------------------------------------------------


def drift(machine: Machine, minutes: float) -> list[str]:
    """The last minute of playing against the first, at a usual tempo."""
    lines = machine.engine(bpm=120, seconds=60 * minutes)["lines"]
    notes = [(line["due_ns"], line["sent_ns"] - line["due_ns"]) for line in lines if "sent_ns" in line]
    begin, end = notes[0][0], notes[-1][0]
    span = min(60_000 * NS_PER_MS, (end - begin) // 2)
    first = figures(late for due, late in notes if due < begin + span)
    last = figures(late for due, late in notes if due > end - span)
    return [HEAD, row("the first minute", first), row(f"the last of {minutes:g}", last)]
