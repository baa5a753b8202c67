"""The commands. Thin: each reads its arguments and calls what does the work."""

import argparse
import os
import sys
from pathlib import Path

from . import __version__

OK, FAILED, USAGE, PARTIAL = 0, 1, 2, 3
_STATUS = "Exit status: 0 done, 1 failed, 2 wrong usage, 3 done only in part."

_ABOUT = """\
A rhythm section for practising and rehearsing the blues, led by a foot switch.

  pedal demo                  hear and read what it does, no hardware needed
  pedal run wet-boots         play: space is the foot at a desk, a switch on a Pi
  pedal show wet-boots        the chart
"""
_FOOT = """\
One switch, standing on it stops:
            tap                      double         hold
  stopped   stomp a bar of beats,
            or once: counted in      -              -
  through   flag this change         last time      stop
  vamp      go on to what comes      last time      stop
"""


def main(argv: list[str] | None = None) -> int:
    """The `pedal` command. Returns the exit status (see `_STATUS`)."""
    for stream in (sys.stdout, sys.stderr):
        if hasattr(stream, "reconfigure"):
            stream.reconfigure(errors="replace")  # a terminal that has no flat sign shows a question mark
    try:
        return _main(argv)
    except BrokenPipeError:
        # Whoever read has seen enough (`pedal list | head`); nor can the interpreter's last flush be read.
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        return FAILED


def _main(argv: list[str] | None) -> int:
    arguments = _parser().parse_args(argv)
    if not hasattr(arguments, "do"):
        _parser().print_help()
        return USAGE
    from .checks import BadFile, Unknown
    from .rig.errors import RigError

    try:
        status = arguments.do(arguments)
        sys.stdout.flush()
        return status
    except BrokenPipeError:
        raise
    except BadFile as error:
        for problem in error.problems:
            print(problem, file=sys.stderr)
    except (Unknown, RigError, ValueError, OSError) as error:
        print(f"pedal: {error}", file=sys.stderr)
    except KeyboardInterrupt:
        print(file=sys.stderr)
    return FAILED


def _parser() -> argparse.ArgumentParser:
    parser = argparse.ArgumentParser(
        prog="pedal",
        description=_ABOUT,
        epilog=_STATUS,
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

    def programme(sub):
        sub.add_argument(
            "--set", metavar="NAME", help="tonight's set: a hold when stopped goes to the next entry"
        )
        sub.add_argument("--routine", metavar="NAME", help="practice steps that go on by themselves")

    def config(sub):
        sub.add_argument("--config", type=Path, metavar="FILE", help="settings (pedal.toml)")

    def place(sub):
        sub.add_argument("--key", help="another key: A, Bb, F#m")
        sub.add_argument("--tempo", type=float, metavar="BPM", help="another tempo, 40 to 260 beats a minute")

    sub = command("run", _run, "play, led by the foot; ends with Ctrl-C or SIGTERM", _FOOT)
    tune(sub, optional=True)
    config(sub)
    mode(sub)
    place(sub)
    programme(sub)
    sub.add_argument("--desk", action="store_true", help="terminal keys and lamps; never look for GPIO")
    sub.add_argument("--trace", type=Path, metavar="FILE", help="write everything that happens as JSON Lines")

    command("demo", _demo, "a scripted foot through two choruses and a vamp; writes demo.mid and demo.wav")

    sub = command(
        "simulate",
        _simulate,
        "the same on a simulated clock, as fast as the machine allows",
        "A foot script is a list like tap@0,double@12.4,hold@30/second: tap, double, hold, or the raw\n"
        "edges press and release; seconds since the box was ready; /NAME for another switch.",
    )
    tune(sub, optional=True)
    config(sub)
    mode(sub)
    place(sub)
    programme(sub)
    sub.add_argument("--foot", default="tap@0", metavar="SCRIPT", help="what the foot does (default: tap@0)")
    sub.add_argument("--seconds", type=float, default=60.0, help="how long (default: 60)")
    sub.add_argument("--seed", type=int, help="seed of the small human variation")
    sub.add_argument("--trace", type=Path, metavar="FILE", help="write everything that happens as JSON Lines")

    sub = command(
        "render",
        _render,
        "some choruses and the ending into a MIDI file or a WAV, count-in included",
        "The name says what it becomes: FILE.mid, or FILE.wav by FluidSynth.",
    )
    tune(sub)
    sub.add_argument("out", metavar="FILE", type=Path, help="what to write: FILE.mid or FILE.wav")
    config(sub)
    place(sub)
    sub.add_argument("--choruses", type=int, metavar="N", help="how many (default: the tune's, or 3)")
    sub.add_argument(
        "--without", action="append", default=[], choices=("drums", "bass", "chords"), help="leave a part out"
    )
    sub.add_argument("--seed", type=int, help="seed of the small human variation")
    sub.add_argument("--strict", action="store_true", default=None, help="none of it: all in the grid")

    sub = command("list", _list, "the tunes, forms, feels and lines there are")
    config(sub)

    sub = command("show", _show, "the chart of a tune, its tab and its hard places")
    tune(sub)
    config(sub)
    place(sub)
    sub.add_argument("--tab", action="store_true", help="where the bass lies on the neck, bar by bar")
    sub.add_argument("--transitions", action="store_true", help="the changes, the hardest for the hand first")

    sub = command("foot", _foot, "what the switches mean, state by state")
    config(sub)

    sub = command("ports", _ports, "the MIDI ports there are")
    config(sub)

    sub = command("check", _check, "find every mistake in sequences and settings")
    sub.add_argument(
        "files",
        nargs="*",
        type=Path,
        metavar="FILE",
        help="sequences, or settings if it is called pedal.toml (default: all that are shipped or your own)",
    )
    config(sub)

    sub = command("silence", _silence, "end all notes on the synth's port")
    config(sub)
    return parser


def _load(arguments):
    from .config import load_config

    return _wished(arguments, load_config(getattr(arguments, "config", None)))


def _wished(arguments, config):
    """The settings, but for what the command line wants otherwise."""
    from dataclasses import replace

    from .score.pitch import parse_key

    if getattr(arguments, "set", None) or getattr(arguments, "routine", None):
        config = replace(config, set=arguments.set, routine=arguments.routine)
    if getattr(arguments, "tune", None):
        config = replace(config, tune=arguments.tune, set=None, routine=None)
    elif config.set or config.routine:
        from .sessions import first_entry

        config = first_entry(config)
    wishes = {name: getattr(arguments, name, None) for name in ("mode", "seed", "strict")}
    wishes = {name: value for name, value in wishes.items() if value is not None}
    config = replace(config, play=replace(config.play, **wishes))
    if getattr(arguments, "key", None):
        config = replace(config, key=str(parse_key(arguments.key)))
    if getattr(arguments, "tempo", None) is not None:
        from .leader.timeline import FASTEST, SLOWEST

        if not SLOWEST <= arguments.tempo <= FASTEST:
            raise ValueError(f"--tempo {arguments.tempo:g}: must be {SLOWEST} to {FASTEST} beats a minute")
        config = replace(config, tempo=arguments.tempo)
    return config


def _plan(config):
    from .library import Library
    from .worker import plan_for

    return plan_for(Library(config.sequences), config.tune, config.key, config.tempo)


def _run(arguments) -> int:
    from . import daemon
    from .salvage import attended, salvage

    if attended() or arguments.desk:
        return OK if daemon.run(_load(arguments), arguments.desk, arguments.trace) else PARTIAL
    from .places import state_folder

    # Nobody is there to read a message: play what can be played.
    found = salvage(arguments.config, lambda config: _wished(arguments, config), state_folder())
    return OK if daemon.run(found.config, False, arguments.trace, found) else PARTIAL


def _demo(arguments) -> int:
    from . import demo

    return OK if demo.run(Path.cwd()) else PARTIAL


def _simulate(arguments) -> int:
    from . import simulate

    config = _load(arguments)
    return simulate.run(config, _plan(config), arguments.foot, arguments.seconds, arguments.trace)


def _render(arguments) -> int:
    from . import render

    config = _load(arguments)
    return render.run(config, _plan(config), arguments.out, arguments.choruses, arguments.without)


def _list(arguments) -> int:
    from .library import KINDS, Library

    library = Library(_load(arguments).sequences)
    for kind in KINDS:
        print(f"{kind}s:")
        for name in library.names(kind):
            print(f"  {name:<28} {getattr(library, kind)(name).title}")
    return OK


def _show(arguments) -> int:
    from .handout.chart import text_chart

    plan = _plan(_load(arguments))
    print(text_chart(plan))
    if arguments.tab:
        from .handout.tab import text_tab

        print("\n" + text_tab(plan))
    if arguments.transitions:
        from .handout.transitions_text import text_transitions

        print("\n" + text_transitions(plan))
    return OK


def _foot(arguments) -> int:
    from .leader.footmap import text_map

    print(text_map(_load(arguments).foot))
    return OK


def _ports(arguments) -> int:
    from .rig.port_rtmidi import list_ports

    api = _load(arguments).synth.api
    found = [list_ports(api), list_ports(api, inputs=True)]
    for title, names in zip(("outputs (a synth)", "inputs (a foot controller)"), found, strict=True):
        print(f"{title}:")
        for name in names or ["none"]:
            print(f"  {name}")
    return OK


def _check(arguments) -> int:
    from .config import check_config, load_config
    from .library import check_files

    settings = [file for file in arguments.files if file.name == "pedal.toml"]
    sequences = [file for file in arguments.files if file not in settings]
    if arguments.config:
        settings.append(arguments.config)
    problems = [problem for file in settings for problem in check_config(file)]
    # The player's own sequences, unless the settings that name them are wrong themselves.
    own = load_config(arguments.config).sequences if arguments.config and not problems else None
    if sequences or not arguments.files:
        problems += check_files(sequences or None, own)
    for problem in problems:
        print(problem)
    if not problems:
        print("no mistakes found")
    return FAILED if problems else OK


def _silence(arguments) -> int:
    from .leader.wire import quiet_controllers
    from .rig.port_rtmidi import list_ports, open_port

    synth = _load(arguments).synth
    names = [synth.port] if synth.port else list_ports(synth.api)
    for name in names:
        port = open_port(name, synth.api, "pedal-silence")
        for channel in range(16):
            for key in range(128):
                port.send(bytes((0x80 | channel, key, 64)))
        for send in quiet_controllers(0):
            port.send(send.data)
        print(f"silence on {port.name}")
        port.close()
    return OK
