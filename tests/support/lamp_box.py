"""`pedal follow` as a process of its own, and a bad cable to it."""

import heapq
import json
import os
import random
import subprocess
import threading
import time
from collections.abc import Mapping
from pathlib import Path

from pedal.events import NS_PER_MS
from pedal.hardware.port_rtmidi import midi_client, open_port
from tests.support.commands import PEDAL
from tests.support.wait import wait_for


class LampBox:
    """A follower with a trace, and no lamps but that."""

    def __init__(
        self, folder: Path, name: str, *arguments: str, environ: Mapping[str, str] = os.environ
    ) -> None:
        config = folder / f"{name}.toml"
        config.write_text('[synth]\napi = "jack"\n')
        self._trace, self._log = folder / f"{name}.jsonl", folder / f"{name}.log"
        command = [PEDAL, "follow", "--config", str(config), "--trace", str(self._trace), *arguments]
        with self._log.open("wb") as out:
            self.process = subprocess.Popen(
                command, stdin=subprocess.DEVNULL, stdout=out, stderr=out, env=dict(environ)
            )

    @property
    def said(self) -> str:
        return self._log.read_text(errors="replace")

    def wait_said(self, what: str) -> None:
        def look() -> bool:
            assert self.process.poll() is None, f"a follower ended, having said: {self.said}"
            return what in self.said

        wait_for(f"{what!r} of a follower", look, 20.0)

    def lamps(self) -> list[dict]:
        """The lines of its trace so far that are whole."""
        lines = self._trace.read_text().splitlines(keepends=True)
        return [json.loads(line) for line in lines if line.endswith("\n")]

    def stop(self) -> int:
        """End it in order; the exit status. May be called again."""
        if self.process.poll() is None:
            self.process.terminate()
        try:
            return self.process.wait(5.0)
        except subprocess.TimeoutExpired:
            self.process.kill()
            return self.process.wait()


class BadCable:
    """From one port to another: loses, doubles and keeps back, at random, and writes down what it did."""

    def __init__(self, source: str, to: str, seed: int) -> None:
        self.good: list[int] = []  # monotonic ns of what it handed on at once,
        self.all: list[int] = []  # and of whatever came
        self._dice = random.Random(seed)
        self._in = midi_client("jack", "bad-cable", inputs=True)
        self._in.ignore_types(sysex=False)
        self._out = open_port(to, "jack", "bad-cable-out")
        names = self._in.get_ports()
        self._in.open_port(next(n for n, name in enumerate(names) if source in name), "in")
        self._kept: list[tuple[int, int, bytes]] = []
        self._stop = threading.Event()
        self._thread = threading.Thread(target=self._run, daemon=True)
        self._thread.start()

    def _run(self) -> None:
        while not self._stop.wait(0.001):
            now = time.monotonic_ns()
            while (event := self._in.get_message()) is not None:
                self._carry(now, bytes(event[0]))
            while self._kept and self._kept[0][0] <= now:
                self._out.send(heapq.heappop(self._kept)[2])

    def _carry(self, now: int, data: bytes) -> None:
        self.all.append(now)
        fate = self._dice.random()
        if fate < 0.15:
            return
        if fate < 0.3:  # kept back, and then perhaps overtaken
            heapq.heappush(self._kept, (now + self._dice.randrange(20, 700) * NS_PER_MS, len(self.all), data))
            return
        self._out.send(data)
        self.good.append(now)
        if fate < 0.5:
            heapq.heappush(self._kept, (now + self._dice.randrange(0, 300) * NS_PER_MS, len(self.all), data))

    def close(self) -> None:
        self._stop.set()
        self._thread.join()
        self._in.close_port()
        self._in.delete()
        self._out.close()
