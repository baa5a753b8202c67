"""Bytes that come in while it plays: requests, foot controllers, another machine's clock, a leader."""

import json
import pickle
import random
from collections.abc import Hashable
from functools import cache
from typing import ClassVar
from zlib import crc32

from pedal.events import LAMPS, ClockIn, Command, CommandDone, Loaded, PlanWanted, Press, Release, Sync
from pedal.events import NS_PER_MS as MS
from pedal.events import NS_PER_S as S
from pedal.hardware.switch_midi import SwitchMessage, Treadles
from pedal.library.action_values import COMMANDS, judge
from pedal.library.library import Library
from pedal.music.pitch import parse_key
from pedal.music.plan import Plan, make_plan
from pedal.service.control.request import read_request
from pedal.session.controls import MODES
from pedal.session.session import Session
from pedal.session.settings import SessionSettings
from pedal.session.sync.lamp_receiver import LampReceiver
from pedal.session.sync.midi_stream import song_position
from tests.session.test_laws import most_flashes
from tests.simulation.watch import Watch

from .format import Format, need, one_line
from .mutate import Mutator

TUNES = ("wet-boots", "third-bus-home", "fog-on-platform-four")


@cache
def plan_of(tune: str) -> Plan:
    return make_plan(Library().tune(tune))


def quiet_in_the_end(session: Session, watch: Watch, now: int) -> None:
    """Whatever came: the notes that were begun have ended."""
    watch.check(session.take(now))
    watch.end(now)
    need(not watch.sounding, "left sounding:", watch.sounding)


class Requests(Format):
    """Lines at the control socket, read, judged, and what is left of them done by a Session."""

    name = "control requests"
    longest = 4096
    tokens = (
        *(
            name.encode()
            for name in (*COMMANDS, *MODES, *TUNES, "status", "Bb", "F#m", "drums", "clean-tempos")
        ),
        *(b"\n", b'{"command": ', b'"value": ', b"NaN", b"Infinity", b"null", b"true", b"[]", b"{}"),
        *(b'"\\ud800"', b"\\u0000", b"[" * 2000, b'["drums", "bass"]', b"1e9", b"-0.0"),
    )

    def seeds(self) -> list[bytes]:
        values = (None, 92, 133.3, "A", "wet-boots", "vamp", ["drums", "bass"], True, "")
        lines = [json.dumps({"command": name, "value": value}) for name in COMMANDS for value in values]
        return [line.encode() for line in lines] + [b'{"command": "status"}', b'{"command": "start"}\n' * 3]

    def feed(self, data: bytes) -> Hashable:
        what, asked = [], []
        for line in data.split(b"\n")[:8]:
            try:
                name, value = read_request(line)
                reason = judge(name, value)
            except ValueError as error:
                reason = str(error)
            if reason is None:
                asked.append((name, value))
            else:
                one_line(reason)
                json.dumps({"ok": False, "reason": reason}).encode()
                what.append(reason[:24])
        return (*what, *(self._do(asked) if asked else ()))

    def _do(self, asked: list[tuple]) -> list[object]:
        session = Session(plan_of(TUNES[0]), SessionSettings())
        watch, what = Watch(session), []
        for name, value in [("start", None), *asked] if len(asked) % 2 else asked:
            at = session.now + 700 * MS
            watch.check(session.take(at))
            command = Command(at, name, value)
            watch.saw(command)
            session.handle(command)
            for output in session.take(at):
                watch.check([output])
                if isinstance(output, CommandDone):
                    json.dumps(output._asdict()).encode()
                    what.append((name, output.reason))
                elif isinstance(output, PlanWanted):
                    what.append(self._plan(session, output, at))
        quiet_in_the_end(session, watch, session.now + S)
        return what

    @staticmethod
    def _plan(session: Session, wanted: PlanWanted, at: int) -> object:
        """What the worker does, but for the plan itself."""
        try:
            key = parse_key(wanted.key) if wanted.key else None
            Library().tune(wanted.tune)
        except (LookupError, ValueError) as error:
            one_line(error, 2_000)
            return str(error)[:12]
        if wanted.tune in TUNES and (key is None or key == plan_of(wanted.tune).key):
            session.handle(Loaded(at, plan_of(wanted.tune)))
        return wanted.tune


class Switches(Format):
    """A foot controller's messages, decoded."""

    name = "MIDI switches"
    slice = 20_000
    longest = 256
    sends: ClassVar = {
        "any": SwitchMessage("controller", 64),
        "ours": SwitchMessage("controller", 80, channel=16),
        "latching": SwitchMessage("controller", 81, latching=True),
        "note": SwitchMessage("note", 36),
        "program": SwitchMessage("program", 5),
    }
    tokens = tuple(bytes.fromhex(one) for one in ("B040", "BF50", "B051", "9024", "8024", "C005", "7F", "00"))

    def seeds(self) -> list[bytes]:
        lines = ("B0407FB04000", "BF507FBF503F", "B0517FB05100B0517F", "902401802440902440902400", "C005C005")
        return [bytes.fromhex(line) for line in lines]

    def feed(self, data: bytes) -> Hashable:
        edges: list[Press | Release] = []
        treadles = Treadles(self.sends, edges.append)
        dice = random.Random(crc32(data))
        place = 0
        while place < len(data):  # messages of whatever length
            length = dice.choice((1, 2, 3, 3, 3, 5))
            treadles.hear(place, data[place : place + length])
            place += length
        down = dict.fromkeys(self.sends, False)
        for edge in edges:
            pressed = isinstance(edge, Press)
            need(down[edge.switch] != pressed, "an edge twice:", edge.switch)
            down[edge.switch] = pressed
        need(not down["latching"] and not down["program"], "what cannot be held is held")
        return tuple(sorted({(edge.switch, type(edge).__name__) for edge in edges}))


class Clock(Format):
    """Another machine's bytes, in time more or less, into a Session that may follow them."""

    name = "MIDI clock"
    full = 250_000  # each is a second of music or several
    slice = 1_500
    longest = 250
    tokens = (
        *(bytes.fromhex(one) for one in ("F8", "FA", "FB", "FC", "F20000", "F24001", "F27F7F", "FE", "FF")),
        *(b"\xf8" * 12, b"\xf8" * 96, bytes.fromhex("F07D0102F7"), bytes.fromhex("90247F"), b"\xfa\xf8"),
    )

    def seeds(self) -> list[bytes]:
        beat = b"\xf8" * 24
        return [
            b"\xfa" + beat,
            beat[:8] + b"\xfa" + beat[:12] + b"\xfc\xfb" + beat[:12],
            b"\xfa" + beat[:6] + b"\xfc" + song_position(192) + b"\xfb" + beat[:18],
            b"\xf8\xf8\xf8",
            song_position(16_383) + b"\xfb\xf8\xf8",
        ]

    def feed(self, data: bytes) -> Hashable:
        dice = random.Random(crc32(data))
        mode, tune = dice.choice(MODES), dice.choice(TUNES)
        alone = dice.random() < 0.6
        settings = SessionSettings(mode=mode, clock_out=not alone, follow_out=not alone)
        session = Session(plan_of(tune), settings)
        watch, now, place = Watch(session), S, 0
        apart = dice.choice((1, 3, 9.6, 20.8, 41, 62.5, 160)) * MS
        shaky = dice.choice((0, 0, 2, 9)) * MS
        if dice.random() < 0.2:
            session.handle(Command(now, "start"))
        while place < len(data):
            length = dice.choice((1, 1, 1, 1, 2, 3, 16))
            piece = data[place : place + length]
            place += length
            now += (
                max(0, int(apart + dice.uniform(-shaky, shaky))) if 0xF8 in piece else dice.choice((0, 0, MS))
            )
            now += dice.choice((S // 4, S, 5 * S)) if dice.random() < 0.01 else 0
            watch.check(session.take(now))
            event = ClockIn(now, piece)
            watch.saw(event)
            session.handle(event)
            session.prepare(now)
        there = session.position is not None, session.followed.leads, session.followed.lost
        quiet_in_the_end(session, watch, now + S // 2)
        return (*there, mode, session.followed.song // 24)


class Following(Format):
    """A leader's messages, at a follower that must never flash a fourth time in a second."""

    name = "follower messages"
    slice = 6_000
    longest = 6_000
    tokens = (
        *(bytes.fromhex(one) for one in ("F07D4C5001", "F7", "F8", "F0", "7F7F", "0000", "FC")),
        b"\x01" * 4096,
    )

    def seeds(self) -> list[bytes]:
        said = [bytes(message) for message in _leader_said()]
        runs = [b"".join(said[start : start + length]) for start in range(0, 40, 5) for length in (1, 2, 4)]
        return said[:20] + runs

    def make(self, mutator: Mutator) -> bytes:
        data = mutator.make()
        return _mended(data) if mutator.dice.random() < 0.6 else data

    def feed(self, data: bytes) -> Hashable:
        dice = random.Random(crc32(data))
        follower, lights, now, place, news = LampReceiver(0), [], S, 0, 0
        while place < len(data):
            length = dice.choice((1, 7, 40, 64, 64, 200))
            news += follower.hear(now, data[place : place + length])
            place += length
            now += dice.choice((0, 1, 20, 100, 500, 4_000)) * MS
            lights += follower.take(now)
        lights += follower.take(now + 3 * S)
        need(follower.deadline() > now + 3 * S, "late")
        lit = dict.fromkeys(LAMPS, False)
        for light in lights:
            need(lit[light.lamp] != light.lit, "a lamp set to what it is:", light)
            lit[light.lamp] = light.lit
        if len(lights) > 6:
            need(most_flashes(lights, LAMPS) <= 3, "a fourth flash in a second")
        if dice.random() < 0.02:
            need(len(pickle.dumps(follower)) < 20_000, "a follower that grows")
        return news, len(lights) % 16, follower.shown and follower.shown.state


@cache
def _leader_said() -> tuple[bytes, ...]:
    session = Session(plan_of(TUNES[0]), SessionSettings(follow_out=True))
    outputs = session.take(S)
    session.handle(Command(S, "start"))
    outputs += session.take(20 * S)
    session.handle(Command(20 * S, "last"))
    return tuple(one.data for one in outputs + session.take(60 * S) if isinstance(one, Sync))


def _mended(data: bytes) -> bytes:
    """The same with the sums of its messages put right, so that they are looked at."""
    whole = bytearray()
    for part in data.split(b"\xf7"):
        start = part.find(b"\xf0")
        if start >= 0 and len(part) - start > 19:
            body = bytearray(byte & 127 for byte in part[start + 1 :])
            body[0:4], body[14] = b"\x7dLP\x01", body[14] & 63
            body[15] = (len(body) - 17) // 3 & 127
            body[-1] = -sum(body[1:-1]) % 128
            part = part[:start] + b"\xf0" + bytes(body)
        whole += part + b"\xf7"
    return bytes(whole)
