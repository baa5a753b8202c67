"""What the commands do. Thin: each reads its arguments and calls what does the work."""

import sys
from pathlib import Path

from .exit_status import FAILED, OK, PARTIAL


def _load(arguments):
    from .library.settings import load_config

    return _wished(arguments, load_config(getattr(arguments, "config", None)))


def _wished(arguments, config):
    """The settings, but for what the command line wants otherwise."""
    from dataclasses import replace

    from .music.pitch import parse_key

    if getattr(arguments, "set", None) or getattr(arguments, "routine", None):
        if getattr(arguments, "tune", None):
            raise ValueError("a tune, or a set or routine that says what is played: not both")
        config = replace(config, set=arguments.set, routine=arguments.routine)
    if getattr(arguments, "tune", None):
        config = replace(config, tune=arguments.tune, set=None, routine=None)
    elif config.set or config.routine:
        from .library.new_session import first_entry

        config = first_entry(config)
    wishes = {name: getattr(arguments, name, None) for name in ("mode", "seed", "strict")}
    wishes = {name: value for name, value in wishes.items() if value is not None}
    config = replace(config, play=replace(config.play, **wishes))
    if getattr(arguments, "key", None):
        config = replace(config, key=str(parse_key(arguments.key)))
    if getattr(arguments, "tempo", None) is not None:
        from .music.timeline import FASTEST, SLOWEST

        if not SLOWEST <= arguments.tempo <= FASTEST:
            raise ValueError(f"--tempo {arguments.tempo:g}: must be {SLOWEST} to {FASTEST} beats a minute")
        config = replace(config, tempo=arguments.tempo)
    return config


def _plan(config):
    from .library.library import Library
    from .service.plan_worker import plan_for

    return plan_for(Library(config.sequences), config.tune, config.key, config.tempo, config.bass)


def do_run(arguments) -> int:
    from .library.settings import load_config
    from .service import daemon
    from .service.last_state import resume, written
    from .service.paths import state_file, state_folder
    from .service.recovery import attended, salvage

    before = []  # what the settings say, and what is wrong with what is remembered

    def wished(config):
        before[:] = [written(config)]
        if not (arguments.tune or arguments.set or arguments.routine):
            config, why_not = resume(config, state_file())
            if why_not:
                print(f"pedal: {why_not}", file=sys.stderr)
        return _wished(arguments, config)

    if attended() or arguments.desk:
        config, found = wished(load_config(arguments.config)), None
    else:  # nobody is there to read a message: play what can be played
        found = salvage(arguments.config, wished, state_folder())
        config = found.config
    whole = daemon.run(config, arguments.desk, arguments.trace, found, *before)
    return OK if whole else PARTIAL


def do_follow(arguments) -> int:
    from .service import lamp_box

    return OK if lamp_box.run(_load(arguments), arguments.port, arguments.trace) else PARTIAL


def do_demo(arguments) -> int:
    from . import demo

    return OK if demo.run(Path.cwd()) else PARTIAL


def do_simulate(arguments) -> int:
    from . import simulate

    config = _load(arguments)
    return simulate.run(config, _plan(config), arguments.foot, arguments.seconds, arguments.trace)


def do_render(arguments) -> int:
    from . import render

    config = _load(arguments)
    return render.run(config, _plan(config), arguments.out, arguments.choruses, arguments.without)


def do_handout(arguments) -> int:
    from . import handouts

    wishes = handouts.Wishes(
        keys=tuple(filter(None, (arguments.keys or "").split(","))),
        all_keys=arguments.all_keys,
        choruses=arguments.choruses,
        only=handouts.check_only(arguments.only or ""),
        force=arguments.force,
        score=arguments.score,
    )
    made, whole = handouts.run(_load(arguments), arguments.to, wishes)
    return OK if whole else PARTIAL if made else FAILED


def do_status(arguments) -> int:
    from . import remote

    remote.status(arguments.socket, arguments.json)
    return OK


def do_tell(arguments) -> int:
    from . import remote

    remote.tell(arguments.socket, arguments.name, getattr(arguments, "value", None))
    return OK


def do_log(arguments) -> int:
    from .log import report
    from .service.paths import log_to_read

    report.run(arguments.file or log_to_read(), arguments.tune, arguments.chart, arguments.csv)
    return OK


def do_list(arguments) -> int:
    from .library.library import KINDS, Library

    library = Library(_load(arguments).sequences)
    for kind in KINDS:
        print(f"{kind}s:")
        for name in library.names(kind):
            print(f"  {name:<28} {getattr(library, kind)(name).title}")
    return OK


def do_show(arguments) -> int:
    from .export.chart import text_chart

    plan = _plan(_load(arguments))
    print(text_chart(plan))
    if arguments.tab:
        from .export.tab import text_tab

        print("\n" + text_tab(plan))
    if arguments.transitions:
        from .export.transitions_text import text_transitions

        print("\n" + text_transitions(plan))
    return OK


def do_foot(arguments) -> int:
    from .session.foot_map import text_map

    print(text_map(_load(arguments).foot))
    return OK


def do_ports(arguments) -> int:
    from .hardware.port_rtmidi import list_ports

    api = _load(arguments).synth.api
    found = [list_ports(api), list_ports(api, inputs=True)]
    titles = ["outputs (a synth)", "inputs (a foot controller)"]
    if pedals := _usb_pedals():
        titles, found = [*titles, "USB devices with keys (a pedal)"], [*found, pedals]
    for title, names in zip(titles, found, strict=True):
        print(f"{title}:")
        for name in names or ["none"]:
            print(f"  {name}")
    return OK


def _usb_pedals() -> list[str]:
    from .hardware.errors import SwitchError
    from .hardware.switch_evdev import list_pedals

    try:
        return list_pedals()
    except SwitchError:  # the package evdev is not installed
        return []


def do_check(arguments) -> int:
    from .library.library import check_files
    from .library.settings import check_config, load_config

    settings = [file for file in arguments.files if file.name == "pedal.toml"]
    sequences = [file for file in arguments.files if file not in settings]
    if arguments.config:
        settings.append(arguments.config)
    problems = [problem for file in settings for problem in check_config(file)]
    for file in () if problems else settings:
        problems += _check_names(file)
    # The player's own sequences, unless the settings that name them are wrong themselves.
    own = load_config(arguments.config).sequences if arguments.config and not problems else None
    if sequences or not arguments.files:
        problems += check_files(sequences or None, own)
    for problem in problems:
        print(problem)
    if not problems:
        for file in settings:
            for warning in _currents(load_config(file)):
                print(f"{file}: warning: {warning}")
        print("no mistakes found")
    return FAILED if problems else OK


def _currents(config) -> list[str]:
    from .library.settings_leds import warnings

    return warnings(config.lamps.leds, config.lamps.pins, config.board)


def do_silence(arguments) -> int:
    """The service calls this when it has ended, and settings with mistakes in them are no excuse."""
    from .hardware.port_rtmidi import list_ports, open_port
    from .hardware.silence import end_everything
    from .service.recovery import salvage_config

    config, problems = salvage_config(arguments.config)
    for problem in problems:
        print(problem, file=sys.stderr)
    synth = config.synth
    names = [synth.port] if synth.port else list_ports(synth.api)
    for name in names:
        port = open_port(name, synth.api, "pedal-silence")
        end_everything(port)
        print(f"silence on {port.name}")
        port.close()
    return PARTIAL if problems else OK


def do_lamps(arguments) -> int:
    from . import lamp_test

    lamp_test.run(_load(arguments), print)
    return OK


def _check_names(file) -> list:
    """The tune, set and routine that settings name, if there are no such things; a key that does not fit."""
    from .library.library import Library
    from .library.settings import load_config
    from .library.toml_check import Problem, Unknown
    from .service.plan_worker import plan_for

    config = load_config(file)
    library = Library(config.sequences)
    found = []
    for kind in ("tune", "set", "routine"):
        name = getattr(config, kind)
        try:
            if name:
                getattr(library, kind)(name)
        except Unknown as unknown:
            found.append(Problem(str(file), kind, repr(name), str(unknown), ""))
    if config.key and not (found or config.set or config.routine):
        try:
            plan_for(library, config.tune, config.key)
        except ValueError as reason:
            found.append(Problem(str(file), "key", repr(config.key), str(reason), ""))
    return found
