"""The demo: a scripted foot on a simulated clock, told bar by bar."""

import argparse
from collections.abc import Iterable, Iterator
from pathlib import Path

from ..errors import file_errors
from ..events import DEGREE_LAMPS, NS_PER_S, BeatBegan, Command, GestureDone, Input, Light, Output, Stopped
from ..export.midi import is_note_on, midi_file
from ..export.performance import performance_of
from ..hardware.errors import SynthError
from ..library.foot_script import parse_foot
from ..library.library import Library
from ..music.plan import Plan, make_plan
from ..service.atomic_files import write_whole
from ..session.offline import drive
from ..session.session import Session
from .exit_status import OK, PARTIAL

TUNE = "wet-boots"
_PAUSE_NS = 2 * NS_PER_S


def play(session: Session, plan: Plan) -> Iterator[Output]:
    """Two choruses through and the ending, then a vamp that waits for the foot."""
    beat_ns = 60 * 10**12 // plan.mbpm
    bar_ns = plan.feel.beats * beat_ns
    # A lone tap counts in after a beat and a half, with one bar of sticks.
    first = beat_ns * 3 // 2 + bar_ns
    seconds = (first + 17 * bar_ns + beat_ns) / NS_PER_S
    yield from drive(session, parse_foot(f"tap@0,double@{seconds:.3f}"), first + 26 * bar_ns)
    vamp_at = session.now + _PAUSE_NS
    start = vamp_at + first
    inputs: list[Input] = [Command(vamp_at - NS_PER_S, "mode", "vamp")]
    script = [f"tap@{vamp_at / NS_PER_S:.3f}"]
    # Cues: early in a bar, late in a bar, a hair before the line, a hair after it.
    for bar, beats in ((6, 1.2), (8, 3.4), (10, 3.97), (12, 0.1)):
        script.append(f"tap@{(start + (bar - 1) * bar_ns + beats * beat_ns) / NS_PER_S:.3f}")
    script.append(f"double@{(start + 13 * bar_ns + beat_ns) / NS_PER_S:.3f}")
    yield from drive(session, [*inputs, *parse_foot(",".join(script))], start + 20 * bar_ns)


def tell(outputs: Iterable[Output], plan: Plan) -> Iterator[str]:
    """One line a bar: when, where, chord, what comes, what the lamps did, what the foot did."""
    bar: list[BeatBegan] = []
    lamps = _LampWatch()
    feet: list[str] = []
    for output in outputs:
        if isinstance(output, Light):
            lamps.change(output.lamp, output.lit)
        elif isinstance(output, GestureDone):
            if output.withdrew:
                feet.pop()  # what the first press of a double did is taken back
            reason = f" ({output.reason})" if output.reason else ""
            feet.append(f"{output.gesture}: {output.action}{reason}")
        elif isinstance(output, BeatBegan):
            if len(bar) == 1 and bar[0].beat == output.beat == 1:
                # A late cue: this bar has become another one a moment after it began.
                output, bar = output._replace(due=bar[0].due), []
            elif bar and _another_bar(bar[-1], output):
                yield _line(bar, lamps, feet)
                bar, feet = [], []
                lamps.reset()
            bar.append(output)
        elif isinstance(output, Stopped) and bar:
            yield _line(bar, lamps, feet)
            yield f"{output.due / NS_PER_S:7.2f}  silence, ready"
            bar, feet = [], []
            lamps.reset()


def _another_bar(before: BeatBegan, after: BeatBegan) -> bool:
    return after.beat <= before.beat or after.bar != before.bar


HEADINGS = f"{'time':>7}  {'chorus':>6} {'bar':>3}  {'chord':<12} {'comes':<12} {'lamps':<28} foot"


def _line(bar: list[BeatBegan], lamps: "_LampWatch", feet: list[str]) -> str:
    first, last = bar[0], bar[-1]
    chord = f"{first.degree} {first.chord}" if first.chord else "count-in"
    comes = f"{last.next_degree} {last.next_chord}" if last.next_chord else "-"
    armed = " +".join(("", *last.armed))
    return (
        f"{first.due / NS_PER_S:7.2f}  {first.chorus or '-':>6} {first.bar:>3}  "
        f"{chord:<12} {comes + armed:<12} {lamps.words():<28} {', '.join(feet)}"
    ).rstrip()


class _LampWatch:
    """What the degree lamps did in a bar: steady, or how often they lit up."""

    def __init__(self) -> None:
        self._lit: dict[str, bool] = {}
        self._ups: dict[str, int] = {}

    def change(self, lamp: str, lit: bool) -> None:
        if lamp not in DEGREE_LAMPS:
            return
        self._lit[lamp] = lit
        if lit:
            self._ups[lamp] = self._ups.get(lamp, 0) + 1

    def words(self) -> str:
        words = []
        for lamp in DEGREE_LAMPS:
            if self._lit.get(lamp) and self._ups.get(lamp, 0) <= 1:
                words.append(lamp)
            elif ups := self._ups.get(lamp, 0):
                words.append(f"{lamp} flashes {ups}")
        return ", ".join(words)

    def reset(self) -> None:
        self._ups = {lamp: 0 for lamp in self._ups}


def run(folder: Path) -> bool:
    """Tell the demo on standard output and write demo.mid, and demo.wav if a synth is there.

    Returns whether all was written that can be written here. FileError if even demo.mid was not.
    """
    plan = make_plan(Library().tune(TUNE))
    session = Session(plan)
    print(f"{plan.tune.title} in {plan.key}, {plan.mbpm / 1000:g} beats a minute, on a simulated clock.\n")
    print(HEADINGS)
    outputs: list[Output] = []

    def kept() -> Iterator[Output]:
        for output in play(session, plan):
            outputs.append(output)
            yield output

    for line in tell(kept(), plan):
        print(line)
    performance = performance_of(plan, outputs)
    song = folder / "demo.mid"
    with file_errors(f"{song} could not be written"):
        write_whole(song, midi_file(performance))
    print(f"\nwrote {song} ({sum(map(is_note_on, performance.sends))} notes)")
    return _render(song, folder / "demo.wav")


def _render(song: Path, sound: Path) -> bool:
    from ..hardware import synth

    if not synth.SynthChild.find():
        print("no demo.wav: FluidSynth is not installed (Debian: fluidsynth and timgm6mb-soundfont)")
        return True
    try:
        synth.render(song, sound, synth.find_soundfont())
    except SynthError as error:
        print(f"no demo.wav: {error}")
        return False
    print(f"wrote {sound}")
    return True


def do_demo(arguments: argparse.Namespace) -> int:
    """The command, which takes no arguments; it writes where it is started. Errors as those of `run`."""
    return OK if run(Path.cwd()) else PARTIAL
