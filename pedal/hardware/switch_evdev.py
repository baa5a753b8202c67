"""USB pedals that act as keyboards or mice, through the kernel's event devices (evdev).

The pedal is grabbed: while we have it, its keys reach nobody else, no login screen and no
terminal. Needs the package `evdev` (the extra `usb`) and the right to read /dev/input, which
members of the group `input` have.

A key repeats while it is held; only press and release are edges. A pedal that is unplugged lets
go of what it held, and is taken again when it is back. A key held down when we take the pedal
counts only after it was let go.
"""

import contextlib
import difflib
import errno
import os
import select
import threading
import time
from collections.abc import Mapping
from types import ModuleType
from typing import Any

from pedal.events import Press, Release, Trouble
from pedal.hardware.errors import SwitchError
from pedal.hardware.switch import Put, SwitchSource

_FOLDER = "/dev/input"
_UP, _DOWN = 0, 1  # 2 is the repeat of a key held
_CLOSE_S = 2.0


class EvdevSwitches(SwitchSource):
    """The switches of one USB pedal (or of several whose names have the same part)."""

    def __init__(self, device: str, switches: Mapping[str, str], period_s: float = 1.0) -> None:
        """`device` is part of the pedal's name, `switches` name the key of each. Raises SwitchError."""
        self.names = tuple(switches)
        self._evdev = load_evdev()
        self._pattern = device.casefold()
        self._device_name = device
        self._keys = {_key_code(self._evdev, name, key): name for name, key in switches.items()}
        self._period_s = period_s
        self._open: dict[int, _Pedal] = {}
        self._known: dict[str, tuple[int, int]] = {}
        self._told_busy = False
        self._put: Put | None = None
        self._wake_read, self._wake_write = os.pipe()
        self._thread: threading.Thread | None = None
        self._lock = threading.Lock()
        self._closed = False

    def start(self, put: Put) -> None:
        """Take the pedal and read it in a thread. One that is not there is said, and waited for."""
        self._put = put
        self._look()
        if not self._open and not self._told_busy:
            self._tell(f"no USB pedal has {self._device_name!r} in its name{_hint()}; waiting for it")
        self._thread = threading.Thread(target=self._run, name="usb-foot", daemon=True)
        self._thread.start()

    def close(self) -> None:
        """Put nothing more and give the pedal back."""
        if self._closed:
            return
        self._closed = True
        with self._lock:
            self._put = None
        os.close(self._wake_write)
        if self._thread is not None:
            self._thread.join(_CLOSE_S)
        os.close(self._wake_read)
        for pedal in self._open.values():
            _shut(pedal.device)
        self._open = {}

    # ---- the thread -------------------------------------------------------------------

    def _run(self) -> None:
        look_at = time.monotonic() + self._period_s
        while True:
            pause = max(0.0, look_at - time.monotonic())
            readable, _, _ = select.select([self._wake_read, *self._open], [], [], pause)
            if self._wake_read in readable:
                return
            for fd in readable:
                self._read(self._open[fd])
            if time.monotonic() >= look_at:
                if self._look():
                    self._tell(f"USB pedal {self._device_name!r} is there")
                look_at = time.monotonic() + self._period_s

    def _read(self, pedal: "_Pedal") -> None:
        ecodes = self._evdev.ecodes
        try:
            events = list(pedal.device.read())
        except BlockingIOError:
            return
        except OSError:
            self._lose(pedal)
            return
        at = time.monotonic_ns()
        for event in events:
            if event.type == ecodes.EV_SYN and event.code == ecodes.SYN_DROPPED:
                self._resync(pedal, at)
            elif event.type == ecodes.EV_KEY and event.code in self._keys and event.value in (_UP, _DOWN):
                self._edge(pedal, event.code, event.value == _DOWN, at)

    def _edge(self, pedal: "_Pedal", code: int, down: bool, at: int) -> None:
        if code in pedal.ignored:
            if not down:
                pedal.ignored.discard(code)
            return
        if (code in pedal.down) == down:
            return
        (pedal.down.add if down else pedal.down.discard)(code)
        with self._lock:
            if self._put is not None:
                self._put((Press if down else Release)(at, self._keys[code]))

    def _resync(self, pedal: "_Pedal", at: int) -> None:
        """The kernel's buffer ran over: what was lost is seen by what is down now."""
        with contextlib.suppress(OSError):
            now = set(pedal.device.active_keys())
            for code in self._keys:
                self._edge(pedal, code, code in now, at)

    # ---- coming and going -------------------------------------------------------------

    def _look(self) -> bool:
        """Take every pedal that has come since the last look. True if there was one."""
        there: dict[str, tuple[int, int]] = {}
        taken = False
        for path in self._evdev.list_devices():
            with contextlib.suppress(OSError):
                state = os.stat(path)
                identity = (state.st_ino, state.st_ctime_ns)
                if self._known.get(path) != identity and self._try(path):
                    taken = True
                there[path] = identity
        self._known = there
        return taken

    def _try(self, path: str) -> bool:
        device = self._evdev.InputDevice(path)
        keys = device.capabilities().get(self._evdev.ecodes.EV_KEY, ())
        if self._pattern not in device.name.casefold() or self._keys.keys().isdisjoint(keys):
            _shut(device)
            return False
        try:
            device.grab()
        except OSError as error:
            _shut(device)
            if error.errno == errno.EBUSY and not self._told_busy:
                self._told_busy = True
                self._tell(f"USB pedal {device.name!r} is taken by another program; trying again")
            raise  # not known yet: tried again at the next look
        self._told_busy = False
        self._open[device.fd] = _Pedal(device, set(device.active_keys()) & self._keys.keys())
        return True

    def _lose(self, pedal: "_Pedal") -> None:
        """What was held when the cable came out is not held any more: a hold would stop the band."""
        at = time.monotonic_ns()
        for code in tuple(pedal.down):
            self._edge(pedal, code, False, at)
        del self._open[pedal.device.fd]
        self._known.pop(pedal.device.path, None)
        self._tell(f"USB pedal {pedal.device.name!r} is gone")
        _shut(pedal.device)

    def _tell(self, text: str) -> None:
        with self._lock:
            if self._put is not None:
                self._put(Trouble(time.monotonic_ns(), text))


class _Pedal:
    def __init__(self, device: Any, held: set[int]) -> None:
        self.device = device
        self.ignored = held  # down since before we came
        self.down: set[int] = set()


def load_evdev() -> ModuleType:
    """The package evdev. Raises SwitchError if it is not installed."""
    try:
        import evdev
    except ImportError:
        raise SwitchError("USB pedals need evdev, which is not installed (apt: python3-evdev)") from None
    return evdev


def list_pedals() -> list[str]:
    """Names of the event devices that have keys. Raises SwitchError if evdev is not installed."""
    evdev = load_evdev()
    names = []
    for path in evdev.list_devices():
        with contextlib.suppress(OSError):
            device = evdev.InputDevice(path)
            if evdev.ecodes.EV_KEY in device.capabilities():
                names.append(device.name)
            _shut(device)
    return sorted(set(names))


def _key_code(evdev: ModuleType, name: str, key: str) -> int:
    """The code of `b`, `KEY_B` or `BTN_LEFT`."""
    codes = evdev.ecodes.ecodes
    keys = {word: code for word, code in codes.items() if word.startswith(("KEY_", "BTN_"))}
    for word in (key.upper(), f"KEY_{key.upper()}"):
        if word in keys:
            return keys[word]
    close = difflib.get_close_matches(f"KEY_{key.upper().removeprefix('KEY_')}", keys, n=1)
    hint = f"; did you mean {close[0]!r}?" if close else ""
    raise SwitchError(f'switch "{name}": no key is called {key!r}{hint}')


def _hint() -> str:
    """Why there may be nothing to see."""
    with contextlib.suppress(OSError):
        files = [name for name in os.listdir(_FOLDER) if name.startswith("event")]
        if files and not any(os.access(f"{_FOLDER}/{name}", os.R_OK) for name in files):
            return " (none may be read: is the user in the group input?)"
    return ""


def _shut(device: Any) -> None:
    """Closing gives up the grab, too."""
    with contextlib.suppress(OSError):
        device.close()
