"""A stand-in for the package evdev: event devices that are plugged, pressed and pulled by a test.

It has what `pedal.hardware.switch_evdev` uses, with the names, types and errors of evdev 2.0: a device
that is gone raises OSError ENODEV when it is read, one that is grabbed by another EBUSY, and a
read with nothing to read BlockingIOError. It does not model: permissions, key repeat, time stamps.
"""

import errno
import os
import socket
from itertools import count
from pathlib import Path
from types import SimpleNamespace
from typing import NamedTuple

EV_SYN, EV_KEY, SYN_DROPPED = 0, 1, 3
CODES = {"KEY_A": 30, "KEY_B": 48, "KEY_C": 46, "KEY_PAGEDOWN": 109, "BTN_LEFT": 272, "EV_KEY": 1}


class InputEvent(NamedTuple):
    sec: int
    usec: int
    type: int
    code: int
    value: int


class Device:
    """The far side: a pedal on a cable."""

    _numbers = count()

    def __init__(self, folder: Path, name: str, keys: tuple[str, ...]) -> None:
        self.path = str(folder / f"event{next(self._numbers)}")
        Path(self.path).touch()
        self.name = name
        self.keys = [CODES[key] for key in keys]
        self.down: set[int] = set()
        self.grabbed_by: object | None = None
        self.readers: list[InputDevice] = []

    def event(self, kind: int, code: int, value: int) -> None:
        for reader in self.readers:
            if self.grabbed_by in (None, reader):
                reader.events.append(InputEvent(0, 0, kind, code, value))
                reader.far.send(b"!")

    def press(self, key: str) -> None:
        self.down.add(CODES[key])
        self.event(EV_KEY, CODES[key], 1)

    def release(self, key: str) -> None:
        self.down.discard(CODES[key])
        self.event(EV_KEY, CODES[key], 0)

    def unplug(self) -> None:
        os.unlink(self.path)
        for reader in self.readers:
            reader.gone = True
            reader.far.send(b"!")


class InputDevice:
    """The near side, as evdev has it."""

    def __init__(self, device: Device) -> None:
        self._device = device
        self.path, self.name = device.path, device.name
        near, self.far = socket.socketpair()
        near.setblocking(False)
        self._near = near
        self.fd = near.fileno()
        self.events: list[InputEvent] = []
        self.gone = self.closed = False
        device.readers.append(self)

    def capabilities(self) -> dict[int, list[int]]:
        return {EV_SYN: [0, 1], EV_KEY: list(self._device.keys)}

    def active_keys(self) -> list[int]:
        return sorted(self._device.down)

    def grab(self) -> None:
        if self._device.grabbed_by is not None:
            raise OSError(errno.EBUSY, "Device or resource busy")
        self._device.grabbed_by = self

    def read(self):
        if self.gone:
            raise OSError(errno.ENODEV, "No such device")
        if not self.events:
            raise BlockingIOError
        self._near.recv(4096)
        while self.events:
            yield self.events.pop(0)

    def close(self) -> None:
        if not self.closed:
            self.closed = True
            if self._device.grabbed_by is self:
                self._device.grabbed_by = None
            self._device.readers.remove(self)
            self._near.close()
            self.far.close()
            self.fd = -1


class FakeEvdev:
    """The module."""

    ecodes = SimpleNamespace(EV_SYN=EV_SYN, EV_KEY=EV_KEY, SYN_DROPPED=SYN_DROPPED, ecodes=CODES)

    def __init__(self, folder: Path) -> None:
        self._folder = folder
        self._devices: dict[str, Device] = {}

    def plug(self, name: str, *keys: str) -> Device:
        device = Device(self._folder, name, keys)
        self._devices[device.path] = device
        return device

    def list_devices(self) -> list[str]:
        return [path for path in self._devices if os.path.exists(path)]

    def InputDevice(self, path: str) -> InputDevice:
        if not os.path.exists(path):
            raise FileNotFoundError(errno.ENOENT, "No such file or directory", path)
        return InputDevice(self._devices[path])
