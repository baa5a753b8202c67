"""`pedal render`: some choruses and the ending into a MIDI file or a WAV, by the same Session.

The count-in starts at the file's first tick, so bars fall on a sequencer's bar lines (after one
or two bars of count-in) until an ending slows down.
"""

import argparse
import sys
import tempfile
from collections.abc import Callable, Collection
from dataclasses import replace
from pathlib import Path

from .. import midifile
from ..events import NS_PER_S, BeatBegan, Command, Send
from ..hardware import synth
from ..hardware.errors import RigError
from ..library.settings import Config
from ..music.beat import PARTS
from ..music.plan import Plan
from ..service.paths import spare_ours
from ..session.actions import START_NS
from ..session.note_queue import quiet_controllers
from ..session.offline import drive
from ..session.session import Session
from ..session.settings import SessionSettings
from .options import load, plan_of

MOST_CHORUSES = 999
USUAL_CHORUSES = 3  # of a tune that goes on until the foot says "last time"
KINDS = (".mid", ".wav")
_RING_NS = 2 * NS_PER_S  # for cymbals and room to die away
_SLOWEST = 5  # an ending's last bars may take this much longer: ritard is at most 0.8


def run(
    config: Config, plan: Plan, out: Path, choruses: int | None = None, without: Collection[str] = ()
) -> int:
    """Write `out`, whose name says what it is. Progress goes to standard error.

    ValueError for a wish that cannot be met; RigError if the file cannot be written or FluidSynth
    fails.
    """
    if out.suffix.lower() not in KINDS:
        raise ValueError(f"{str(out)!r}: the name must end in {' or '.join(KINDS)}")
    if not out.absolute().parent.is_dir():
        raise ValueError(f"{str(out)!r}: there is no folder {str(out.parent)!r}")
    spare_ours(out)
    parts = config.session.parts - set(without)
    if not parts:
        raise ValueError(f"--without: nobody would play; leave at least one of {', '.join(PARTS)}")
    count = choruses if choruses is not None else plan.tune.choruses or USUAL_CHORUSES
    if not 1 <= count <= MOST_CHORUSES:
        raise ValueError(f"--choruses {count}: must be 1 to {MOST_CHORUSES}")
    settings = replace(config.session, mode="through", parts=parts)
    if out.suffix.lower() == ".wav" and not synth.SynthChild.find():
        raise synth.SynthError("a WAV needs FluidSynth, which is not installed (try: apt install fluidsynth)")
    said = _Progress(count)
    sends = performed(plan, count, settings, config.play.seed, said.chorus)
    try:
        if out.suffix.lower() == ".mid":
            midifile.write(out, sends, plan, plan.mbpm)
        else:
            _sound(config, sends, plan, out, said)
    except OSError as error:
        raise RigError(f"{str(out)!r} could not be written: {error.strerror}") from None
    said.done()
    seconds = sends[-1].due / NS_PER_S
    chorus = "chorus" if count == 1 else "choruses"
    print(f"wrote {out} ({count} {chorus} of {plan.tune.title} in {plan.key}, {seconds:.0f} s)")
    return 0


def performed(
    plan: Plan,
    choruses: int,
    settings: SessionSettings | None = None,
    seed: int = 1,
    chorus_began: Callable[[int], None] = lambda chorus: None,
) -> list[Send]:
    """What a Session sends from the count-in to the end of the last of some choruses.

    The first stick falls at 0; what sets up the synth is due then too. Two seconds after the
    last note come the controllers that silence everything.
    """
    plan = replace(plan, tune=replace(plan.tune, choruses=choruses))
    session = Session(plan, settings, seed, now=-START_NS)
    bar_ns = plan.feel.beats * 60 * 10**12 // plan.mbpm
    bars = (choruses - 1) * len(plan.layout) + len(plan.last) * _SLOWEST
    longest = bar_ns * (bars + len(plan.layout) + 4) + _RING_NS  # with count-in and intro
    sends: list[Send] = []
    playing = 0
    for output in drive(session, [Command(-START_NS, "start")], longest):
        if isinstance(output, Send):
            sends.append(output if output.due >= 0 else output._replace(due=0))
        elif isinstance(output, BeatBegan) and output.chorus > playing:
            playing = output.chorus
            chorus_began(playing)
        if playing and session.position is None and output.due > sends[-1].due + NS_PER_S:
            break  # a lamp's blip: it is over, and nothing sounds any more
    return sends + quiet_controllers(sends[-1].due + _RING_NS)


def _sound(config: Config, sends: list[Send], plan: Plan, out: Path, said: "_Progress") -> None:
    chosen = config.synth.soundfont
    soundfont = synth.find_soundfont(str(chosen) if chosen else None)
    said.note("making sound")
    with tempfile.TemporaryDirectory() as folder:
        song = Path(folder) / "song.mid"
        midifile.write(song, sends, plan, plan.mbpm)
        synth.render(song, out.absolute(), soundfont, config.synth.gain)


class _Progress:
    """One line on a terminal that says how far it is; nothing elsewhere."""

    def __init__(self, choruses: int) -> None:
        self._choruses = choruses
        self._shown = sys.stderr.isatty()

    def chorus(self, number: int) -> None:
        self.note(f"chorus {number} of {self._choruses}")

    def note(self, text: str) -> None:
        if self._shown:
            print(f"\r{text:<40}", end="", file=sys.stderr, flush=True)

    def done(self) -> None:
        if self._shown:
            print(f"\r{'':<40}\r", end="", file=sys.stderr, flush=True)


def do_render(arguments: argparse.Namespace) -> int:
    config = load(arguments)
    return run(config, plan_of(config), arguments.out, arguments.choruses, arguments.without)
