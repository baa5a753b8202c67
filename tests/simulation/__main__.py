"""python -m tests.simulation --hours N --seed S [--jobs J]: weeks of rehearsals in minutes.

Episodes of ten simulated minutes, each a pure function of its seed. A failing one is printed
with its seed, shrunk, and told as settings and a script that `pedal simulate` can replay; what has
no place in those (a made-up set, a synth unplugged, a restart, another machine) is named.
"""

import argparse
import multiprocessing
import sys
import time

from tests.support.own import toml

from .episode import Outcome, play, script, shrink
from .world import EPISODE_S


def main() -> int:
    """Exit status 1 if anything broke."""
    parser = argparse.ArgumentParser(prog="python -m tests.simulation", description=__doc__)
    parser.add_argument("--hours", type=float, default=1.0, help="simulated hours (default: 1)")
    parser.add_argument("--seed", type=int, default=1, help="the first episode's seed (default: 1)")
    parser.add_argument("--jobs", type=int, default=1, help="processes (default: 1)")
    parser.add_argument(
        "--first", action="store_true", help="stop at the first failure, and do not shrink it"
    )
    arguments = parser.parse_args()
    count = max(1, round(arguments.hours * 3600 / EPISODE_S))
    seeds = range(arguments.seed, arguments.seed + count)
    started = time.monotonic()
    counts: dict[str, int] = {}
    failed: list[tuple[int, Outcome]] = []
    with multiprocessing.get_context("fork").Pool(arguments.jobs) as pool:
        outcomes = zip(seeds, pool.imap(play, seeds, chunksize=4), strict=True)
        for done, (seed, outcome) in enumerate(outcomes, 1):
            for what, number in outcome.counts.items():
                counts[what] = counts.get(what, 0) + number
            if outcome.broken:
                failed.append((seed, outcome))
                print(f"seed {seed}: {outcome.broken}", flush=True)
                if arguments.first:
                    return 1
            elif done % 60 == 0 and sys.stderr.isatty():
                print(f"{done * EPISODE_S / 3600:g} hours", end="\r", file=sys.stderr)
    took = time.monotonic() - started
    for seed, outcome in failed[:3]:
        _tell(seed, outcome)
    hours = count * EPISODE_S / 3600
    told = ", ".join(f"{number} {what}" for what, number in sorted(counts.items(), key=lambda item: -item[1]))
    print(f"{hours:g} simulated hours in {took:.0f} s ({hours * 3600 / took:.0f} times real time): {told}")
    print(f"{count - len(failed)} passed, {len(failed)} failed")
    return 1 if failed else 0


def _tell(seed: int, outcome: Outcome) -> None:
    box, fewer = shrink(outcome.stage, outcome.inputs)
    foot, rest = script(fewer)
    print(f"\nseed {seed}, shrunk to {len(fewer)} of {len(outcome.inputs)} inputs: {outcome.broken}")
    print(f"pedal.toml:\n{toml(box.file())}")
    print(f"pedal simulate --config pedal.toml --seconds {EPISODE_S} --trace trace.jsonl --foot '{foot}'")
    missing = [f"{event}" for event in rest]
    missing += ["a made-up set"] if box.entries else []
    missing += ["another machine's clock"] if box.led is not None else []
    for what in missing:
        print(f"not in these: {what}")


if __name__ == "__main__":
    sys.exit(main())
