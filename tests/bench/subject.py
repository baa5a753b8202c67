"""The engine under test, in a process of its own: `pedal run` as it is, on mock pins, with a foot.

    python -m tests.bench.subject '{"port": "Bench Ear", "seconds": 5, "out": "result.json", …}'

Real are: the order of getting ready, the loop, the Session, the worker, the port, the flight
recorder. Mock are the pins. Three things are bent, and only here: the tempo is far above what
the settings allow, so that slots are many; `foot` = "soft" or "stop" puts that action on a tap and
gives every press an answer (no limit of flashes, no doubles); `bare` = true replaces the Session by its own
outputs, made beforehand, to see what the loop costs without composing.
"""

import json
import random
import sys
import threading
import time
from pathlib import Path
from typing import Any, ClassVar

from pedal.events import NS_PER_MS, NS_PER_S, Command, Quit, Send
from pedal.hardware.lamp_gpio import LampPins
from pedal.hardware.port import SynthPort
from pedal.library import new_session
from pedal.library.library import Library
from pedal.library.plans import plan_for
from pedal.library.settings import Config, LampSettings, PlaySettings, SynthSettings
from pedal.service import daemon
from pedal.service.rig import Rig
from pedal.session import gestures, lamp_scheduler
from pedal.session.form_position import stomped_in
from pedal.session.offline import drive
from pedal.session.outcome import Start
from pedal.session.session import Session

TUNE, PIN = "wet-boots", 17
LAMP_PINS = {"I": 5, "IV": 6, "V": 13, "other": 19, "beat": 26, "ready": 21}
START_NS = 300 * NS_PER_MS  # after the rig has opened


def outputs(bpm: float, seconds: float) -> list:
    """What a Session puts out when it is started at 0, strictly in time."""
    plan = plan_for(Library(None), TUNE, None, bpm)
    settings = Config(play=PlaySettings(strict=True)).session
    return list(drive(Session(plan, settings), [Command(0, "start")], round(seconds * NS_PER_S)))


class Noting(SynthPort):
    """A port that notes when each message was handed over."""

    def __init__(self, port: SynthPort) -> None:
        self.name, self._port = port.name, port
        self.noted: list[tuple[int, bytes]] = []

    def send(self, data: bytes) -> None:
        self._port.send(data)
        self.noted.append((time.monotonic_ns(), data))

    def close(self) -> None:
        self._port.close()


class BenchRig(Rig):
    """The real rig. Notes when lamps were written; its foot starts, presses and ends."""

    wanted: dict[str, Any]
    result: dict[str, Any]

    def open(self, put, desk) -> None:
        super().open(put, desk)
        self.lights: list[int] = []
        self.presses: list[int] = []
        if self.wanted["bare"] or self.wanted["foot"] == "stop":
            self.port = Noting(self.port)
        threading.Thread(target=self._foot, args=(put,), name="bench-foot", daemon=True).start()

    def light(self, lamp: str, lit: bool) -> None:
        super().light(lamp, lit)
        self.lights.append(time.monotonic_ns())

    def _foot(self, put) -> None:
        ready = time.monotonic_ns()
        begin = ready + START_NS
        end = begin + round(self.wanted["seconds"] * NS_PER_S)
        chance = random.Random(self.wanted["seed"])
        _until(begin)
        cpu = time.process_time_ns()
        put(Command(begin, "start"))
        _until(begin + 700 * NS_PER_MS if self.wanted["foot"] else end)
        while self.wanted["foot"] and time.monotonic_ns() < end:
            self._press(put, chance)
        cpu = time.process_time_ns() - cpu
        self.result |= {
            "ready_ns": ready,
            "begin_ns": begin,
            "end_ns": end,
            "cpu_ns": cpu,
            "wall_ns": time.monotonic_ns() - begin,
            "memory_kb": memory_kb(),
            "composed": BenchSession.composed,
            "lights": self.lights,
            "presses": self.presses,
            "noted": [(at, list(data)) for at, data in getattr(self.port, "noted", [])],
        }
        put(Quit(time.monotonic_ns()))

    def _press(self, put, chance: random.Random) -> None:
        """One press, after a pause of no pattern; down longer than the lock-out, or its end is lost."""
        pin = self._box.pins().factory.pin(PIN)
        time.sleep(chance.uniform(*((0.06, 0.12) if self.wanted["foot"] == "stop" else (0.052, 0.075))))
        self.presses.append(time.monotonic_ns())
        pin.drive_low()
        time.sleep(0.052)
        pin.drive_high()
        if self.wanted["foot"] == "stop":
            put(Command(time.monotonic_ns(), "bench-go"))  # the band is back a beat later


class BenchSession(Session):
    """Answers every press of the bench's foot."""

    tap = "soft"
    composed: ClassVar[list[int]] = []  # how long each beat took

    def __init__(self, plan, settings, seed, now, footmap, entries) -> None:
        footmap = {**footmap, ("through", "main", "tap"): self.tap}
        super().__init__(plan, settings, seed, now, footmap, entries)

    def prepare(self, now: int) -> None:
        new = self.position and not self._player.composed
        start = time.perf_counter_ns()
        super().prepare(now)
        if new:
            self.composed.append(time.perf_counter_ns() - start)

    def handle(self, event) -> None:
        if isinstance(event, Command) and event.name == "bench-go":
            if not self.position:
                first = stomped_in(self.plan, "through", "change")
                self._start(Start(event.at + NS_PER_MS, self.state.mbpm, first))
        else:
            super().handle(event)


class Canned(Session):
    """Outputs that were made beforehand, behind the interface of the Session, which itself rests."""

    made: ClassVar[list] = []

    def __init__(self, *given) -> None:
        super().__init__(*given)
        self._left: list = []

    def handle(self, event) -> None:
        if isinstance(event, Command) and event.name == "start":
            self._left = [output._replace(due=output.due + event.at) for output in reversed(self.made)]

    def take(self, now: int) -> list:
        out = []
        while self._left and self._left[-1].due <= now:
            out.append(self._left.pop())
        return out

    take_ready = take

    def prepare(self, now: int) -> None:
        pass

    def deadline(self) -> int | None:
        return self._left[-1].due if self._left else None

    def silence(self, now: int) -> list:
        self._left = []
        return []

    setup = silence


def memory_kb() -> int:
    """Memory of this process that is in RAM now; what JACK's server shares with it left out."""
    fields = dict(line.split(":", 1) for line in Path("/proc/self/status").read_text().splitlines())
    return sum(int(fields[name].split()[0]) for name in ("RssAnon", "RssFile"))


def _until(ns: int) -> None:
    time.sleep(max(0, ns - time.monotonic_ns()) / NS_PER_S)


def main(wanted: dict[str, Any]) -> None:
    """Play as wanted and write the result."""
    BenchRig.wanted, BenchRig.result = wanted, {"granted": False}
    daemon.Rig, new_session.Session = BenchRig, BenchSession
    take_priority = daemon.take_priority

    def take(say) -> bool:
        if wanted["priority"]:
            BenchRig.result["granted"] = take_priority(say)
        return BenchRig.result["granted"]

    daemon.take_priority = take
    if wanted["foot"]:
        gestures.DOUBLE_NS, lamp_scheduler.FLASHES = -1, 10**9
        BenchSession.tap = wanted["foot"]
    if wanted["bare"]:
        made = [output for output in outputs(wanted["bpm"], wanted["seconds"]) if isinstance(output, Send)]
        new_session.Session, Canned.made = Canned, made
    config = Config(
        tune=TUNE,
        tempo=wanted["bpm"],
        play=PlaySettings(strict=wanted["strict"]),
        synth=SynthSettings(port=wanted["port"], api="jack"),
        gpio="mock",
        lamps=LampSettings(LampPins({} if wanted["bare"] else LAMP_PINS)),
    )
    if not wanted["port"]:
        BenchRig.start_children = lambda self: None  # no JACK here: the port is a silent one
    whole = daemon.run(config, False, Path(wanted["trace"]) if wanted["trace"] else None)
    if wanted["bare"]:
        BenchRig.result["dues"] = [output.due for output in Canned.made]
    Path(wanted["out"]).write_text(json.dumps(BenchRig.result | {"whole": whole}))


if __name__ == "__main__":
    main(json.loads(sys.argv[1]))
