"""`pedal follow`: a box with lamps and no synth shows what a leader's lamps show.

The leader's messages come in through any MIDI connection; what is made of them is in
`session/sync/lamp_receiver.py`.
"""

import json
import sys
from pathlib import Path
from typing import NamedTuple

from ..events import NS_PER_S, Light
from ..hardware.box import Box
from ..hardware.clock import RealClock
from ..hardware.desk import TerminalLamps
from ..hardware.errors import RigError
from ..hardware.lamp import LampBackend, LampBoard
from ..hardware.midi_input import MidiInput
from ..hardware.port_rtmidi import load_midi
from ..library.settings import Config
from ..session.report import where
from ..session.sync.lamp_message import Shown
from ..session.sync.lamp_receiver import LampReceiver
from .inbox import Inbox
from .process import Ended, Signals, say, stderr_of_our_own
from .realtime import StoppedCollector, take_priority
from .systemd_notify import Notifier
from .trace_writer import TraceWriter

CLIENT = "pedal-lamps"


class _Heard(NamedTuple):
    at: int
    data: bytes


def run(config: Config, port: str | None, trace: Path | None) -> bool:
    """Follow until told to quit. Returns whether all of the trace was written.

    `port` is part of an input's name; without one another machine connects to ours. RigError if
    there is no MIDI system at all, FileError if there can be no trace.
    """
    signals = Signals()
    with stderr_of_our_own():
        clock, inbox = RealClock(), Inbox()
        api = config.synth.backend.midi_api
        box, lamps = Box(config.gpio, api), _lamps_of(config)
        boards: list[LampBoard] = []
        source = writer = None
        try:
            load_midi()
            for one in lamps:
                one.load(box)
            take_priority(say)
            _open_lamps(lamps, box, boards)
            writer = TraceWriter(trace) if trace else None
            pattern = port or config.sync.follow_in
            source = MidiInput(pattern, lambda at, data: inbox.put(_Heard(at, data)), say, api, CLIENT)
            source.start()
            signals.check()
            say(f"following: lamps come in at {pattern or f'our own port, {CLIENT}'}")
            signals.then(lambda: inbox.put(None))
            _follow(clock, inbox, boards, writer)
        except Ended:
            pass
        finally:
            signals.then(lambda: None)  # we are ending already
            if source:
                source.close()
            for board in boards:
                board.close()
            box.close()
            if writer:
                writer.close()
            inbox.close()
    return not (writer and writer.dropped)


def _lamps_of(config: Config) -> list[LampBackend]:
    """The lamps there are: those of the settings, and those in the terminal if somebody looks at it."""
    lamps = [config.lamps.backend] if config.lamps.backend.lamps() else []
    if sys.stderr.isatty() and TerminalLamps() not in lamps:
        lamps.append(TerminalLamps())
    return lamps


def _open_lamps(lamps: list[LampBackend], box: Box, boards: list[LampBoard]) -> None:
    for one in lamps:
        try:
            boards.append(one.open(box))
        except RigError as error:
            say(f"no lamps: {error}")


def _follow(clock: RealClock, inbox: Inbox, boards: list[LampBoard], writer: TraceWriter | None) -> None:
    follower, notifier, collector = LampReceiver(clock.now()), Notifier(), StoppedCollector()
    watch = min(notifier.watchdog_interval_ns() or NS_PER_S, NS_PER_S)
    look, led = clock.now() + watch, True
    notifier.ready()
    while True:
        for heard in inbox.drain():
            if heard is None:
                notifier.stopping()
                return
            follower.hear(*heard)
        for light in follower.take(clock.now()):
            for board in boards:
                board.set(light.lamp, light.lit)
            if writer:
                writer.write(_line(light, clock.now()))
        for board in boards:
            board.status(_where(follower.shown))
        if (follower.shown is not None) != led:
            led = not led
            what = "the leader is there" if led else "no leader"
            say(what)
            notifier.status(what)
        if clock.now() >= look:
            notifier.watchdog()
            collector.look(follower.shown is None or follower.shown.state == "stopped")
            look = clock.now() + watch
        inbox.wait(min(follower.deadline(), look))


def _where(shown: Shown | None) -> str:
    """Where the leader is, in a line."""
    if shown is None:
        return "no leader"
    if shown.state == "stopped":
        return "stopped"
    return where(shown.chorus, shown.bar, shown.beat)


def _line(light: Light, set_ns: int) -> str:
    """A line of the trace: as in the leader's, and when the lamp was really switched."""
    return json.dumps(
        {"type": "lamp", "at_ns": light.due, "set_ns": set_ns, "lamp": light.lamp, "lit": light.lit}
    )
