"""The one place where switches, sockets and watchers leave what happened.

Any thread puts; the loop alone waits and drains. On Linux the loop sleeps in one poll()
over an eventfd (something was put) and a timerfd (the deadline). The timer is absolute
and exact to the kernel's timer slack; poll's own timeout would round up to a whole
millisecond. Elsewhere a condition variable does the same, less exactly.
"""

import ctypes
import os
import select
import sys
import threading
import time
from collections import deque
from typing import Any, Protocol

from pedal.events import NS_PER_S


class Waker(Protocol):
    """How one thread sleeps until another one, or the clock, wakes it."""

    def wake(self) -> None:
        """Wake the sleeper, or its next sleep if it is awake. Any thread; never raises."""

    def sleep(self, until: int | None) -> None:
        """Return once woken or at monotonic `until` ns; may return early for no reason."""

    def close(self) -> None:
        """Give everything back; later wakes do nothing."""


class Inbox:
    """Events in arrival order. `put` from any thread, everything else from the loop."""

    def __init__(self, waker: Waker | None = None) -> None:
        """`waker`: the best one for this system unless given."""
        self.spin_ns = 0
        """How much of the end of each wait is spun instead of slept, in ns."""
        self._events: deque[Any] = deque()
        self._waker = waker or (FdWaker() if FdWaker.available() else ConditionWaker())

    def put(self, event: Any) -> None:
        """Leave an event and wake the loop. Never raises, never waits."""
        self._events.append(event)
        self._waker.wake()

    def drain(self) -> list[Any]:
        """Take everything that was put, in order of arrival."""
        taken = []
        while self._events:
            taken.append(self._events.popleft())
        return taken

    def wait(self, until: int | None, gently: int | None = None) -> None:
        """Sleep until something is in the inbox, or until monotonic `until` ns (None: for ever).

        Also until `gently`, if it comes before `until` and before any spinning for that: it is never
        spun for.
        """
        asleep_until = None if until is None else until - self.spin_ns
        if gently is not None and (asleep_until is None or gently < asleep_until):
            until = asleep_until = gently
        while not self._events:
            if until is not None and time.monotonic_ns() >= until:
                return
            if asleep_until is None or time.monotonic_ns() < asleep_until:
                self._waker.sleep(asleep_until)

    def close(self) -> None:
        """Give the file descriptors back. Later puts are kept but wake nobody."""
        self._waker.close()


class ConditionWaker:
    """A condition variable: works everywhere, wakes about twice as late."""

    def __init__(self) -> None:
        self._condition = threading.Condition()
        self._woken = False

    def wake(self) -> None:
        """Wake the sleeper."""
        with self._condition:
            self._woken = True
            self._condition.notify()

    def sleep(self, until: int | None) -> None:
        """Sleep until woken or until monotonic `until` ns."""
        with self._condition:
            if not self._woken:
                left = None if until is None else max(0, until - time.monotonic_ns()) / NS_PER_S
                self._condition.wait(left)
            self._woken = False

    def close(self) -> None:
        """Nothing to give back."""


class FdWaker:
    """eventfd and timerfd in one poll()."""

    @staticmethod
    def available() -> bool:
        """Whether this system has both."""
        return hasattr(os, "eventfd") and hasattr(select, "poll") and _has_timerfd()

    def __init__(self) -> None:
        self._event = os.eventfd(0, os.EFD_NONBLOCK | os.EFD_CLOEXEC)
        self._timer = _timerfd_create()
        self._poll = select.poll()
        self._poll.register(self._event, select.POLLIN)
        self._poll.register(self._timer, select.POLLIN)
        # Guards against writing to a number that was closed and given to another file. Reentrant:
        # a signal handler may put in the middle of a put of the main thread.
        self._lock = threading.RLock()
        self._closed = False

    def wake(self) -> None:
        """Wake the sleeper."""
        with self._lock:
            if not self._closed:
                try:
                    os.eventfd_write(self._event, 1)
                except BlockingIOError:
                    pass  # the counter is full: the sleeper is as woken as can be

    def sleep(self, until: int | None) -> None:
        """Sleep until woken or until monotonic `until` ns."""
        _timerfd_set(self._timer, 0 if until is None else max(1, until))
        for fd, _ in self._poll.poll():
            if fd == self._event:
                os.eventfd_read(self._event)

    def close(self) -> None:
        """Close both descriptors."""
        with self._lock:
            if not self._closed:
                self._closed = True
                os.close(self._event)
                os.close(self._timer)


# ---- timerfd: in `os` from Python 3.13, before that from the C library ------------------

_TFD_TIMER_ABSTIME = 1


class _Timespec(ctypes.Structure):
    _fields_ = (("seconds", ctypes.c_long), ("nanoseconds", ctypes.c_long))


class _Itimerspec(ctypes.Structure):
    _fields_ = (("interval", _Timespec), ("value", _Timespec))


def _libc() -> ctypes.CDLL:
    return ctypes.CDLL(None, use_errno=True)


def _has_timerfd() -> bool:
    if sys.version_info >= (3, 13):
        return hasattr(os, "timerfd_create")
    try:
        return hasattr(_libc(), "timerfd_settime")
    except (OSError, TypeError):  # no C library that can be opened without a name
        return False


if sys.version_info >= (3, 13):

    def _timerfd_create() -> int:
        return os.timerfd_create(time.CLOCK_MONOTONIC, flags=os.TFD_NONBLOCK | os.TFD_CLOEXEC)

    def _timerfd_set(fd: int, ns: int) -> None:
        os.timerfd_settime_ns(fd, flags=os.TFD_TIMER_ABSTIME, initial=ns)

else:
    # Looked up once: the loop sets its timer some ten times a second.
    if _has_timerfd():
        _SETTIME = _libc().timerfd_settime

    def _timerfd_create() -> int:
        fd: int = _libc().timerfd_create(time.CLOCK_MONOTONIC, os.O_NONBLOCK | os.O_CLOEXEC)
        if fd < 0:
            raise OSError(ctypes.get_errno(), "timerfd_create failed")
        return fd

    def _timerfd_set(fd: int, ns: int) -> None:
        value = _Itimerspec(_Timespec(0, 0), _Timespec(*divmod(ns, NS_PER_S)))
        if _SETTIME(fd, _TFD_TIMER_ABSTIME, ctypes.byref(value), None) < 0:
            raise OSError(ctypes.get_errno(), "timerfd_settime failed")
