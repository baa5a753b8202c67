"""Those who play along: how steady our clock is, how well we follow one, how late lamps elsewhere are.

`python -m tests.bench.company '{…}'` is the process that plays: `tests.bench.subject` in company.
"""

import json
import os
import random
import sys
import time
from functools import partial
from itertools import pairwise
from typing import Any, ClassVar

from pedal.events import NS_PER_MS, NS_PER_S, BeatBegan, ClockIn, Sync
from pedal.library.library import Library
from pedal.library.plans import plan_for
from pedal.library.settings import Config
from pedal.library.settings_sync import CompanySettings
from pedal.session.offline import drive
from pedal.session.session import Session
from tests.bench import subject
from tests.bench.figures import HEAD, figures, row
from tests.bench.lateness import of_trace
from tests.bench.machine import Machine, _run, load
from tests.support.lamp_box import LampBox

BPM = 240  # 96 clocks a second
JITTERS_MS = (0, 1, 3, 10)
CLOCK, START = b"\xf8", b"\xfa"
NEAR_NS = 200 * NS_PER_MS


# ---- our own clock ------------------------------------------------------------------------


def clock_out(machine: Machine, rounds: int, seconds: float) -> list[str]:
    """Lateness of clocks, and that of notes with and without them, with priority if that may be."""
    lines = [HEAD]
    for title, busy in (("idle", False), ("both cores busy", True)):
        notes: dict[bool, list[int]] = {False: [], True: []}
        late, apart = [], []
        with load(busy):
            for number in range(rounds):
                for with_clock in (False, True):
                    company = {"clock_out": machine.port} if with_clock else {}
                    run = played(machine, company, bpm=BPM, seconds=seconds, seed=number)
                    notes[with_clock] += of_trace(run["lines"])[0]
                    clocks = [(due, sent) for due, sent, byte in run.get("told", ()) if byte == CLOCK[0]]
                    late += [sent - due for due, sent in clocks]
                    apart += [
                        abs((sent - sent_before) - (due - due_before))
                        for (due_before, sent_before), (due, sent) in pairwise(clocks)
                    ]
        granted = "with" if run["granted"] else "without"
        lines += [
            f"  -- {title}, {granted} priority, {BPM} bpm",
            row("clock, sent minus due", figures(late)),
            row("from clock to clock, off what it should be", figures(apart)),
            row("notes, first of a slot, with the clock", figures(notes[True])),
            row("notes, first of a slot, without", figures(notes[False])),
        ]
    return lines


# ---- another machine's ----------------------------------------------------------------------


def clock_in(seeds: int) -> list[str]:
    """Tempo and place of the beat against an unsteady source, on simulated time."""
    lines = [
        f"  {seeds} sources of each kind at 60 to 200 bpm, every clock late or early by up to so much;",
        "  the worst bar's tempo in per cent, then the beats' distance from the source's, p50 and most",
        f"  {'jitter':>8}" + "".join(f"{f'bar {bar}':>8}" for bar in range(1, 9)) + "   from bar 3 on, ms",
    ]
    for jitter in JITTERS_MS:
        tempo: list[list[float]] = [[] for _ in range(8)]
        apart: list[int] = []
        for seed in range(seeds):
            dice = random.Random(f"{jitter} {seed}")
            errors, beats = followed(dice, dice.uniform(60, 200), jitter)
            for bar, error in enumerate(errors):
                tempo[bar].append(abs(error))
            apart += beats
        words = "".join(f"{100 * max(bar):>8.3f}" for bar in tempo)
        found = figures(apart)
        lines.append(f"  {jitter:>5} ms{words}   {found.p50 / 1e6:.2f}, {found.most / 1e6:.2f}")
    return lines


def followed(dice: random.Random, bpm: float, jitter_ms: float) -> tuple[list[float], list[int]]:
    """How far off the tempo of each of eight bars was, and each beat from the third bar on."""
    interval, now, last = 60e9 / (24 * bpm), NS_PER_S * 1.0, 0
    events, meant = [ClockIn(NS_PER_S - 20 * NS_PER_MS, START)], []
    for _ in range(24 * 4 * 9):
        meant.append(now)
        last = max(last + 1, int(now + dice.uniform(-jitter_ms, jitter_ms) * NS_PER_MS))
        events.append(ClockIn(last, CLOCK))
        now += interval
    session = Session(plan_for(Library(None), subject.TUNE), Config().session)
    beats = [output.due for output in drive(session, events, int(now)) if isinstance(output, BeatBegan)]
    bars = [(beats[4 * n + 4] - beats[4 * n]) / (96 * interval) - 1 for n in range(8)]
    return bars, [abs(round(beats[n] - meant[24 * n])) for n in range(8, 32)]


# ---- lamps elsewhere --------------------------------------------------------------------------


def lamps(machine: Machine, seconds: float) -> list[str]:
    """From the leader's lamp to the follower's, over JACK (which hands on every 5.3 ms)."""
    if not machine.port:
        return ["  no JACK server"]
    lines = [HEAD]
    for title, busy in (("idle", False), ("both cores busy", True)):
        (folder := machine.folder / f"lamps {title}").mkdir(exist_ok=True)
        box = LampBox(folder, "box", environ=os.environ | machine._jack)
        try:
            box.wait_said("following")
            with load(busy):
                run = played(machine, {"follow_out": "pedal-lamps"}, bpm=120, seconds=seconds, taps=True)
        finally:
            box.stop()
        late, never = delays(run["lines"], box.lamps())
        lines.append(row(f"{title}: of the form (told ahead)", figures(map(abs, late["form"]))))
        lines.append(row(f"{title}: of a press", figures(map(abs, late["press"]))))
        lines.append(f"      {never} of {len(late['form']) + len(late['press']) + never} never came")
    return lines


def delays(leader: list[dict], follower: list[dict]) -> tuple[dict[str, list[int]], int]:
    """ns from each lamp of the leader to the follower's, by what lit it; and how many never came."""
    presses = [line["at_ns"] for line in leader if line["type"] == "press" and line["down"]]
    first = min((line["set_ns"] for line in follower), default=0)
    late: dict[str, list[int]] = {"form": [], "press": []}
    never, at = 0, 0
    changes = [line for line in leader if line["type"] == "lamp" and line["at_ns"] > first + 2 * NS_PER_S]
    last = max((line["set_ns"] for line in follower), default=0)
    for line in changes:
        if line["at_ns"] > last - NS_PER_S // 2:
            continue
        while at < len(follower) and follower[at]["set_ns"] < line["at_ns"] - NEAR_NS:
            at += 1
        near = [
            other["set_ns"] - line["at_ns"]
            for other in follower[at : at + 40]
            if (other["lamp"], other["lit"]) == (line["lamp"], line["lit"])
            and abs(other["set_ns"] - line["at_ns"]) < NEAR_NS
        ]
        pressed = any(0 <= line["at_ns"] - press <= 2 for press in presses)
        if near:
            late["press" if pressed else "form"].append(min(near, key=abs))
        else:
            never += 1
    return late, never


# ---- the process that plays -----------------------------------------------------------------


def played(machine: Machine, company: dict[str, str], **wanted: Any) -> dict[str, Any]:
    """Run `tests.bench.subject` in company; its result, with the lines of its trace."""
    out, trace = machine.folder / "result.json", machine.folder / "trace.jsonl"
    trace.unlink(missing_ok=True)
    usual = {"foot": None, "bare": False, "priority": True, "seed": 1, "strict": True}
    places = {"port": machine.port, "out": str(out), "trace": str(trace), "company": company}
    own = {"XDG_STATE_HOME": str(machine.folder), "XDG_RUNTIME_DIR": str(machine.folder)}
    command = [sys.executable, "-m", "tests.bench.company", json.dumps(usual | wanted | places)]
    _run(command, machine._jack, own)
    return json.loads(out.read_text()) | {
        "lines": [json.loads(line) for line in trace.read_text().splitlines()]
    }


class CompanySession(subject.BenchSession):
    """Notes when each message for others was due."""

    dues: ClassVar[list[int]] = []

    def take(self, now: int) -> list:
        outputs = super().take(now)
        self.dues.extend(output.due for output in outputs if isinstance(output, Sync))
        return outputs


class CompanyRig(subject.BenchRig):
    """Notes when each was sent. `taps`: its foot taps as a foot does, and the limit of flashes holds."""

    def open(self, put, desk) -> None:
        if self.wanted.get("taps"):
            self.wanted = self.wanted | {"foot": "soft"}
        super().open(put, desk)

    def _press(self, put, chance: random.Random) -> None:
        time.sleep(chance.uniform(0.9, 1.6))
        super()._press(put, chance)

    def tell(self, to: str, data: bytes) -> None:
        super().tell(to, data)
        told = self.result.setdefault("told", [])
        told.append((CompanySession.dues[len(told)], time.monotonic_ns(), data[0]))


def main(wanted: dict[str, Any]) -> None:
    """Play as wanted and write the result."""
    subject.Config = partial(Config, company=CompanySettings(**wanted["company"]))
    subject.BenchSession, subject.BenchRig = CompanySession, CompanyRig
    subject.main(wanted)


if __name__ == "__main__":
    main(json.loads(sys.argv[1]))
