"""The command line: what there is to say. What is done is in `commands`, imported when it is done."""

import argparse
import os
import sys
from importlib import import_module
from pathlib import Path

from . import __version__
from .commands.exit_status import FAILED, IN_WORDS, USAGE
from .errors import FileError, UserError

_ABOUT = """\
A rhythm section for practising and rehearsing the blues, led by a foot switch.

  pedal demo                  hear and read what it does, no hardware needed
  pedal run wet-boots         play: space is the foot at a desk, a switch on a Pi
  pedal show wet-boots        the chart
"""
_FOOT = """\
One switch, standing on it stops:
            tap                      double         hold
  stopped   stomp a bar of beats,    drill          next entry
            or once: counted in                     of the set
  through   flag this change         last time      stop
  vamp      go on to what comes      last time      stop
  drill     missed                   next change    leave, stop
"""

# What a running box can be asked to do: command, what it takes, what it does, and more of it.
_ASKED_FOR = (
    (
        "load",
        "TUNE",
        "another tune: at once when stopped, else when this one has stopped",
        "pedal list has the names.",
    ),
    ("start", None, "count in", "As one tap of the foot does, at the written tempo."),
    ("stop", None, "silence at once", "No ending. For an ending there is pedal last."),
    ("cue", None, "go on to what comes, in a vamp", "It counts from anywhere in the bar before."),
    (
        "last",
        None,
        "this is the last time; said again, it is not",
        "The ending comes in place of the turnaround.",
    ),
    ("tempo", "BPM", "another tempo from now on, 40 to 260 beats a minute", "Example: pedal tempo 92"),
    ("key", "KEY", "another key: at once when stopped, else from the next chorus", "Example: pedal key Bb"),
    ("mode", "MODE", "how the form moves: through, vamp or drill", "Example: pedal mode vamp"),
)
_ASKS_A_BOX = "It asks the box that runs on this machine, by its control socket (README, Without a screen)."


def main(argv: list[str] | None = None) -> int:
    """The `pedal` command. Returns the exit status (see `exit_status`).

    A mistake of the user's is said on standard error. A bug raises what it raises, and so does SystemExit
    for help and wrong usage.
    """
    for stream in (sys.stdout, sys.stderr):
        if hasattr(stream, "reconfigure"):
            stream.reconfigure(errors="replace")  # a terminal that has no flat sign shows a question mark
    try:
        return _main(argv)
    except BrokenPipeError:  # whoever read has seen enough (`pedal list | head`)
        pass
    except UserError as error:
        print(error.shown(), file=sys.stderr)
    except KeyboardInterrupt:
        print(file=sys.stderr)
    return FAILED


def _main(argv: list[str] | None) -> int:
    arguments = _parser().parse_args(argv)
    if not hasattr(arguments, "do"):
        _parser().print_help()
        return USAGE
    module, do = arguments.do
    try:
        status: int = getattr(import_module(f"pedal.commands.{module}"), do)(arguments)
        return status
    finally:
        _flush()  # also what a full file has stopped in the midst of the command is then the user's error


def _flush() -> None:
    """Let out what was printed. FileError if it cannot be written, BrokenPipeError if nobody reads it."""
    if sys.stdout is None:  # closed by whoever started us
        return
    try:
        sys.stdout.flush()
    except OSError as error:
        # The interpreter's last flush would fail like this one.
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        if isinstance(error, BrokenPipeError):
            raise
        raise FileError(f"standard output cannot be written: {error.strerror}") from None


def _parser() -> argparse.ArgumentParser:
    parser = argparse.ArgumentParser(
        prog="pedal",
        description=_ABOUT,
        epilog=IN_WORDS,
        formatter_class=argparse.RawDescriptionHelpFormatter,
    )
    parser.add_argument("--version", action="version", version=f"pedal {__version__}")
    commands = parser.add_subparsers(title="commands", metavar="COMMAND")

    def command(name, do, short, epilog=None):
        sub = commands.add_parser(
            name,
            help=short,
            description=short[0].upper() + short[1:] + ".",
            epilog=epilog,
            formatter_class=argparse.RawDescriptionHelpFormatter,
        )
        sub.set_defaults(do=do)
        return sub

    def tune(sub, optional=False):
        sub.add_argument(
            "tune", metavar="TUNE", nargs="?" if optional else None, help="name of a tune (pedal list)"
        )

    def mode(sub):
        sub.add_argument(
            "--mode",
            choices=("through", "vamp", "drill"),
            help="how the form moves: by the clock, by cues, or looping one change",
        )

    def setlist(sub):
        either = sub.add_mutually_exclusive_group()
        either.add_argument(
            "--set", metavar="NAME", help="tonight's set: a hold when stopped goes to the next entry"
        )
        either.add_argument("--routine", metavar="NAME", help="practice steps that go on by themselves")

    def config(sub):
        sub.add_argument("--config", type=Path, metavar="FILE", help="settings (pedal.toml)")

    def key_and_tempo(sub):
        sub.add_argument("--key", help="another key: A, Bb, F#m")
        sub.add_argument("--tempo", type=float, metavar="BPM", help="another tempo, 40 to 260 beats a minute")

    sub = command("run", ("run", "do_run"), "play, led by the foot; ends with Ctrl-C or SIGTERM", _FOOT)
    tune(sub, optional=True)
    config(sub)
    mode(sub)
    key_and_tempo(sub)
    setlist(sub)
    sub.add_argument("--desk", action="store_true", help="terminal keys and lamps; never look for GPIO")
    sub.add_argument("--trace", type=Path, metavar="FILE", help="write everything that happens as JSON Lines")

    sub = command(
        "follow",
        ("follow", "do_follow"),
        "a second box: show the lamps of a leader, over MIDI",
        "The leader's settings say [follow] out, this box's [follow] in or --port.\n"
        "Without a leader the lamps run from V to I.",
    )
    config(sub)
    sub.add_argument("--port", metavar="PART", help="part of the name of the MIDI input (pedal ports)")
    sub.add_argument("--trace", type=Path, metavar="FILE", help="write each change of a lamp as JSON Lines")

    command(
        "demo",
        ("demo", "do_demo"),
        "a scripted foot through two choruses and a vamp; writes demo.mid and demo.wav",
    )

    sub = command(
        "simulate",
        ("simulate", "do_simulate"),
        "the same on a simulated clock, as fast as the machine allows",
        "A foot script is a list like tap@0,double@12.4,hold@30/second: tap, double, hold, or the raw\n"
        "edges press and release; seconds since the box was ready; /NAME for another switch.\n"
        "What pedal tell takes is a step as well: stop@40, tempo=92@12.4, parts=drums+bass@30.",
    )
    tune(sub, optional=True)
    config(sub)
    mode(sub)
    key_and_tempo(sub)
    setlist(sub)
    sub.add_argument("--foot", default="tap@0", metavar="SCRIPT", help="what the foot does (default: tap@0)")
    sub.add_argument("--seconds", type=float, default=60.0, help="how long (default: 60)")
    sub.add_argument("--seed", type=int, help="seed of the small human variation")
    sub.add_argument("--trace", type=Path, metavar="FILE", help="write everything that happens as JSON Lines")

    sub = command(
        "render",
        ("render", "do_render"),
        "some choruses and the ending into a MIDI file or a WAV, count-in included",
        "The name says what it becomes: FILE.mid, or FILE.wav by FluidSynth.",
    )
    tune(sub)
    sub.add_argument("out", metavar="FILE", type=Path, help="what to write: FILE.mid or FILE.wav")
    config(sub)
    key_and_tempo(sub)
    sub.add_argument("--choruses", type=int, metavar="N", help="how many (default: the tune's, or 3)")
    sub.add_argument(
        "--without", action="append", default=[], choices=("drums", "bass", "chords"), help="leave a part out"
    )
    sub.add_argument("--seed", type=int, help="seed of the small human variation")
    sub.add_argument("--strict", action="store_true", default=None, help="none of it: all in the grid")

    sub = command(
        "handout",
        ("handout", "do_handout"),
        "what a student takes home: chart, tab, notation, MIDI, audio and a sheet to print",
        "Example: pedal handout wet-boots --to lesson --key A,Bb,F --only chart,sheet",
    )
    tune(sub)
    sub.add_argument("--to", type=Path, metavar="DIR", required=True, help="the folder to write into")
    config(sub)
    sub.add_argument("--key", dest="keys", metavar="KEY,…", help="other keys: A, Bb, F#m (default: its own)")
    sub.add_argument("--all-keys", action="store_true", help="all twelve, each in a folder")
    sub.add_argument("--tempo", type=float, metavar="BPM", help="another tempo, 40 to 260 beats a minute")
    sub.add_argument("--choruses", type=int, metavar="N", help="how many (default: the tune's, or 3)")
    sub.add_argument("--only", metavar="KIND,…", help="some of chart, tab, notation, midi, audio, sheet")
    sub.add_argument("--score", action="store_true", help="notation of drums and chords, too")
    sub.add_argument("--force", action="store_true", help="write over files that are there")

    def box(sub):
        sub.add_argument("--socket", type=Path, metavar="PATH", help="of another box than the usual one")

    sub = command(
        "status",
        ("remote", "do_status"),
        "what the running box plays, where it is, and what is wrong with it",
        f'{_ASKS_A_BOX}\nWith --json it is one line for programs; the same answers {{"command": "status"}}.',
    )
    sub.add_argument("--json", action="store_true", help="as one line of JSON")
    box(sub)
    for name, value, short, more in _ASKED_FOR:
        sub = command(name, ("remote", "do_tell"), short, f"{more}\n{_ASKS_A_BOX}")
        sub.set_defaults(name=name)
        if value:
            sub.add_argument("value", metavar=value)
        box(sub)
    sub = command(
        "tell",
        ("remote", "do_tell"),
        "anything else that a foot can do, by its name (pedal foot)",
        f"Examples: pedal tell soft, pedal tell guide off, pedal tell parts drums,bass\n{_ASKS_A_BOX}",
    )
    sub.add_argument("name", metavar="ACTION", help="as in pedal foot: again, drill, tempo-up, key-fourth, …")
    sub.add_argument("value", nargs="?", metavar="VALUE", help="for those that take one")
    box(sub)

    sub = command(
        "log",
        ("log", "do_log"),
        "what was practised: choruses, drills, and the tempo at which each change is clean",
        "A tempo counts as clean after three clean repetitions in a row on one day.\n"
        "Examples: pedal log --tune wet-boots, pedal log --chart progress.svg, pedal log --csv -",
    )
    sub.add_argument("--tune", metavar="TUNE", help="of this tune only")
    sub.add_argument("--chart", type=Path, metavar="FILE", help="draw clean tempo over time into an SVG")
    sub.add_argument("--csv", metavar="FILE", help="every entry as a row; - for standard output")
    sub.add_argument("--file", type=Path, metavar="FILE", help="another log than the usual one")
    sub.add_argument("--force", action="store_true", help="write over files that are there")

    sub = command("list", ("show", "do_list"), "the tunes, forms, feels and lines there are")
    config(sub)

    sub = command("show", ("show", "do_show"), "the chart of a tune, its tab and its hard places")
    tune(sub)
    config(sub)
    key_and_tempo(sub)
    sub.add_argument("--tab", action="store_true", help="where the bass lies on the neck, bar by bar")
    sub.add_argument("--transitions", action="store_true", help="the changes, the hardest for the hand first")

    sub = command("foot", ("show", "do_foot"), "what the switches mean, state by state")
    config(sub)

    sub = command("ports", ("show", "do_ports"), "the MIDI ports there are")
    config(sub)

    sub = command("check", ("check", "do_check"), "find every mistake in sequences and settings")
    sub.add_argument(
        "files",
        nargs="*",
        type=Path,
        metavar="FILE",
        help="sequences, or settings if it is called pedal.toml (default: all that are shipped or your own)",
    )
    config(sub)

    sub = command("silence", ("silence", "do_silence"), "end all notes on the synth's port")
    config(sub)

    sub = command(
        "lamps",
        ("lamps", "do_lamps"),
        "light each lamp in turn and show what a stopped box says with them",
        "The pins must be free: sudo systemctl stop pedal, and start afterwards.",
    )
    sub.add_argument("--test", action="store_true", required=True, help="do it")
    config(sub)
    return parser
