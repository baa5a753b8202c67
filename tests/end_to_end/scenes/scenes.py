"""A rehearsal and a practice hour, each with its foot: what is kept of their traces, and how.

`python -m tests.end_to_end.scenes.scenes` plays both on the simulated clock and writes what is kept anew;
look at the difference before it is committed.
"""

import json
from collections.abc import Iterator
from functools import partial
from pathlib import Path
from zlib import crc32

from pedal.events import NS_PER_S, Input, Output
from pedal.library.foot_script import parse_foot
from pedal.library.library import Library
from pedal.library.new_session import first_entry, make_session
from pedal.library.plans import plan_for
from pedal.library.settings import Config
from pedal.service import trace_format
from pedal.session.offline import drive

FOLDER = Path(__file__).parent
BEAT, BAR = 60 / 112, 4 * 60 / 112  # of the tunes the rehearsal begins with


def rehearsal_foot() -> str:
    """The band plays three entries of a set: through, a cued vamp, through in another key.

    Cues are given early, in the middle of a bar, and with the change; one comes by mistake, right
    after a change; solos are cued on for four choruses; the last time is asked for, taken back, and
    asked for again.
    """
    steps = ["tap@1", "double@60", "double@70", "double@100"]  # first entry: last time, not yet, now
    steps += ["hold@140", "tap@150"]  # next entry, counted in
    beat, start = 60 / 96, 150 + 1.5 * 60 / 96 + 0.025 + 4 * 60 / 96
    bar = start
    for turn in range(28):
        bar += (2 + turn % 3) * 4 * beat
        off = (-2.2, -0.4, 0.05)[turn % 3] * beat
        steps.append(f"tap@{bar + off:.3f}")
        if turn % 9 == 4:
            steps.append(f"tap@{bar + off + 0.9 * beat:.3f}")  # too soon after the change
    steps += [f"double@{bar + 6 * beat:.3f}", f"hold@{bar + 120:.3f}", f"tap@{bar + 130:.3f}"]
    steps += [f"double@{bar + 160:.3f}", f"hold@{bar + 260:.3f}"]
    return ",".join(steps)


def practice_foot() -> str:
    """An hour alone: the routine goes on by itself; now and then a repetition is marked as missed."""
    misses = [f"tap@{40 + 97 * n + (13 * n) % 29}" for n in range(24)]
    return ",".join(["tap@0.5", *misses])


SCENES: dict[str, tuple[Config, str, int]] = {
    "rehearsal": (Config(set="shed-night"), rehearsal_foot(), 900),
    "practice-hour": (Config(routine="one-hour-alone"), practice_foot(), 3600),
}


def play(name: str) -> Iterator[Output]:
    """The outputs of a scene."""
    config, foot, seconds = SCENES[name]
    config = first_entry(config)
    library = Library()
    session = make_session(config, plan_for(library, config.tune, config.key, config.tempo))
    inputs: list[Input] = parse_foot(foot)
    yield from drive(session, inputs, seconds * NS_PER_S, partial(plan_for, library))


def kept(name: str) -> Iterator[str]:
    """Every line of the trace but notes, lamps, edges and beats 2 and on; of notes and lamps a sum by bar."""
    recorder = trace_format.Recorder("usb")
    sums = {"note": 0, "lamp": 0}
    for output in play(name):
        line = recorder.line(output)
        if line is None:
            continue
        kind = json.loads(line)["type"]
        if kind in sums:
            sums[kind] = crc32(line.encode(), sums[kind])
        elif kind == "position" and json.loads(line)["beat"] == 1:
            yield f'{{"notes":"{sums["note"]:08x}","lamps":"{sums["lamp"]:08x}"}}'
            yield line
        elif kind not in ("position", "press"):
            yield line


if __name__ == "__main__":
    for scene in SCENES:
        path = FOLDER / f"{scene}.jsonl"
        path.write_text("\n".join(kept(scene)) + "\n", encoding="utf-8")
        print(f"{path.name}: {len(path.read_text(encoding='utf-8').splitlines())} lines")
