"""`pedal render`: some choruses and the ending into a MIDI file or a WAV, by the same Session.

The count-in starts at the file's first tick, and bars fall on a sequencer's bar lines.
"""

import argparse
import tempfile
from collections.abc import Collection
from dataclasses import replace
from pathlib import Path

from ..errors import BadValue, FileError, file_errors
from ..events import NS_PER_S
from ..export.midi import midi_file
from ..export.performance import perform
from ..hardware import synth
from ..library.settings import Config
from ..music.beat import PARTS
from ..music.plan import Plan
from ..service.atomic_files import write_whole
from ..service.paths import spare_ours
from .exit_status import OK
from .options import choruses_of, load, plan_of
from .progress import Progress

KINDS = (".mid", ".wav")


def run(
    config: Config, plan: Plan, out: Path, choruses: int | None = None, without: Collection[str] = ()
) -> int:
    """Write `out`, whose name says what it is. Progress goes to standard error.

    BadValue for a wish that cannot be met, FileError if the file cannot be written, SynthError if
    FluidSynth fails.
    """
    if out.suffix.lower() not in KINDS:
        raise BadValue(f"{str(out)!r}: the name must end in {' or '.join(KINDS)}")
    with file_errors(f"{str(out)!r} could not be written"):
        if not out.absolute().parent.is_dir():
            raise FileError(f"{str(out)!r}: there is no folder {str(out.parent)!r}")
        spare_ours(out)
    parts = config.session.parts - set(without)
    if not parts:
        raise BadValue(f"--without: nobody would play; leave at least one of {', '.join(PARTS)}")
    count = choruses_of(choruses, plan.tune.choruses)
    if out.suffix.lower() == ".wav" and not synth.SynthChild.find():
        raise synth.SynthError("a WAV needs FluidSynth, which is not installed (try: apt install fluidsynth)")
    progress = Progress()

    def began(chorus: int) -> None:
        progress.note(f"chorus {chorus} of {count}")

    performance = perform(plan, count, replace(config.session, parts=parts), config.play.seed, began)
    song = midi_file(performance)
    with file_errors(f"{str(out)!r} could not be written"):
        if out.suffix.lower() == ".mid":
            write_whole(out, song)
        else:
            progress.note("making sound")
            _sound(config, song, out)
    progress.clear()
    seconds = performance.sends[-1].due / NS_PER_S
    chorus = "chorus" if count == 1 else "choruses"
    print(f"wrote {out} ({count} {chorus} of {plan.tune.title} in {plan.key}, {seconds:.0f} s)")
    return OK


def _sound(config: Config, song: bytes, out: Path) -> None:
    chosen = config.synth.soundfont
    soundfont = synth.find_soundfont(str(chosen) if chosen else None)
    with tempfile.TemporaryDirectory() as folder:
        midi = Path(folder) / "song.mid"
        midi.write_bytes(song)
        synth.render(midi, out.absolute(), soundfont, config.synth.gain)


def do_render(arguments: argparse.Namespace) -> int:
    """The command. Errors as those of `run`."""
    config = load(arguments)
    return run(config, plan_of(config), arguments.out, arguments.choruses, arguments.without)
