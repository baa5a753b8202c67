"""Stand-ins for hardware that keep what they were told, held to the same suites as the real ones."""

import threading

from pedal.events import Command, Press, Release
from pedal.hardware.lamp import LampBoard
from pedal.hardware.port import SynthPort
from pedal.hardware.switch import Put, SwitchSource


class RecordingPort(SynthPort):
    """Keeps every message sent while open, in `sent`."""

    def __init__(self, name: str = "recording") -> None:
        self.name = name
        self.sent: list[bytes] = []
        self.closed = False

    def send(self, data: bytes) -> None:
        if data and not self.closed:
            self.sent.append(bytes(data))

    def close(self) -> None:
        self.closed = True


class RecordingLamps(LampBoard):
    """Keeps which lamps are lit, and every change."""

    def __init__(self, *names: str) -> None:
        self.names = names
        self.lit = dict.fromkeys(names, False)
        self.changes: list[tuple[str, bool]] = []
        self._closed = False

    def set(self, name: str, lit: bool) -> None:
        if name in self.lit and not self._closed:
            self.lit[name] = lit
            self.changes.append((name, lit))

    def close(self) -> None:
        for name in self.names:
            self.set(name, False)
        self._closed = True


class HandSwitches(SwitchSource):
    """Switches moved by the test, at times that the test gives."""

    def __init__(self, *names: str) -> None:
        self.names = names
        self._put: Put | None = None

    def start(self, put: Put) -> None:
        self._put = put

    def press(self, at: int, name: str = "main") -> None:
        if self._put is not None:
            self._put(Press(at, name))

    def release(self, at: int, name: str = "main") -> None:
        if self._put is not None:
            self._put(Release(at, name))

    def close(self) -> None:
        self._put = None


class Collector:
    """A `put` that keeps everything and can be waited on."""

    def __init__(self) -> None:
        self.events: list[Press | Release | Command] = []
        self._changed = threading.Condition()

    def __call__(self, event: Press | Release | Command) -> None:
        with self._changed:
            self.events.append(event)
            self._changed.notify_all()

    def wait_for(self, count: int, seconds: float = 5.0) -> list:
        """The first `count` events; fails if they do not come in time."""
        with self._changed:
            came = self._changed.wait_for(lambda: len(self.events) >= count, seconds)
            assert came, f"waited for {count} events, got {self.events}"
            return self.events[:count]
