"""Real-time priority for the whole process, and everything else that keeps it from stalling.

Call `take_priority` once: after imports, loading and starting children (they would inherit it),
before ports, pins and threads. Each step can be refused; then it is said what is missing and
how to grant it, and the box plays on with the rest.

    step                 without it
    SCHED_FIFO           every other busy program delays us by tens of milliseconds
    limit of RT time     (with SCHED_FIFO) a runaway loop would freeze the machine
    locked memory        a page that was swapped out is missing when a note is due
    timer slack 1 ns     (without SCHED_FIFO) every timer comes 50 µs late
    switch interval      another Python thread keeps the interpreter 5 ms to itself
    no collections       a full garbage collection takes 1 to 20 ms

Known weakness: a thread that a C library starts with a policy of its own (a JACK server that is
itself real-time does) keeps it.
"""

import contextlib
import ctypes
import errno
import faulthandler
import gc
import os
import signal
import sys
from collections.abc import Callable

PRIORITY = 30  # above everyday programs, below the kernel's own interrupt threads (50)
SPIN_NS = 200_000
"""How much of the end of a wait may be spun instead of slept, with priority only."""
SWITCH_S = 1e-4
RT_TIME_US = (500_000, 1_000_000)  # without a pause: stacks on stderr and the end; killed

_PR_SET_TIMERSLACK = 29
_MCL_CURRENT, _MCL_FUTURE, _MCL_ONFAULT = 1, 2, 4
_CAP_IPC_LOCK = 14


def take_priority(say: Callable[[str], None], priority: int = PRIORITY) -> bool:
    """Take all that this process is allowed. True if it has real-time priority now."""
    granted = _raise(say, priority)
    if granted:
        _limit_rt_time(say)
    _lock_memory(say)
    _sharpen_timers(say)
    sys.setswitchinterval(SWITCH_S)
    gc.collect()
    gc.freeze()
    gc.disable()
    return granted


class StoppedCollector:
    """Collects garbage, but only while the band is stopped, and once a stop."""

    def __init__(self) -> None:
        self._played = False

    def look(self, stopped: bool) -> bool:
        """Tell it from time to time whether the band is stopped; True if it has collected."""
        if not stopped:
            self._played = True
        elif self._played:
            self._played = False
            gc.collect()
            return True
        return False


# ---- the steps -------------------------------------------------------------------------


def _raise(say: Callable[[str], None], priority: int) -> bool:
    """SCHED_FIFO for every thread there is; those to come inherit it."""
    if not hasattr(os, "sched_setscheduler"):
        say("no real-time priority: this system has none to give")
        return False
    try:
        # GPIO and MIDI libraries may have started a thread of their own when they were imported.
        for task in sorted(map(int, os.listdir("/proc/self/task"))):
            with contextlib.suppress(ProcessLookupError):  # it has just ended
                os.sched_setscheduler(task, os.SCHED_FIFO, os.sched_param(priority))
    except OSError as error:
        say(
            f"no real-time priority ({error.strerror}): a busy machine will be heard. To grant it: "
            f"LimitRTPRIO={priority} in the unit, or '@audio - rtprio {priority}' in /etc/security/limits.d/"
        )
        return False
    return True


def _limit_rt_time(say: Callable[[str], None]) -> None:
    """A loop that runs away with priority must end with its stacks in the journal, not freeze the box."""
    import resource

    # A descriptor of our own: fd 2 is sent nowhere for moments while MIDI clients are made.
    faulthandler.register(signal.SIGXCPU, file=os.dup(2), all_threads=True, chain=True)
    _, most = resource.getrlimit(resource.RLIMIT_RTTIME)
    soft, hard = (limit if most == resource.RLIM_INFINITY else min(limit, most) for limit in RT_TIME_US)
    try:
        resource.setrlimit(resource.RLIMIT_RTTIME, (soft, hard))
    except (OSError, ValueError) as error:
        say(f"no limit of real-time processor time ({error}): LimitRTTIME=500ms:1s in the unit sets it")


def _lock_memory(say: Callable[[str], None]) -> None:
    """Keep in memory every page once it has been used."""
    import resource

    # With a limit, a lock on what is yet to come would make some later allocation fail.
    soft, hard = resource.getrlimit(resource.RLIMIT_MEMLOCK)
    free = resource.RLIM_INFINITY in (soft, hard) or _may_lock()
    # ONFAULT: else the 8 MB that each thread may use as its stack would be taken at once.
    flags = _MCL_CURRENT | _MCL_ONFAULT | (_MCL_FUTURE if free else 0)
    try:
        if hard == resource.RLIM_INFINITY:
            resource.setrlimit(resource.RLIMIT_MEMLOCK, (hard, hard))
        _call("mlockall", flags)
    except (OSError, ValueError) as error:
        over = isinstance(error, OSError) and error.errno == errno.ENOMEM
        reason = "this process is larger than its limit" if over else getattr(error, "strerror", error)
        say(
            f"memory is not locked ({reason}): where it is short, notes may wait for the disk. To grant it: "
            "LimitMEMLOCK=infinity in the unit, or '@audio - memlock unlimited' in /etc/security/limits.d/"
        )


def _may_lock() -> bool:
    """Whether we have the capability that is above all limits of locked memory."""
    try:
        with open("/proc/self/status", encoding="utf-8", errors="replace") as file:
            held = next((line for line in file if line.startswith("CapEff:")), "CapEff: 0")
    except OSError:
        return False
    return bool(int(held.split()[1], 16) >> _CAP_IPC_LOCK & 1)


def _sharpen_timers(say: Callable[[str], None]) -> None:
    try:
        _call("prctl", _PR_SET_TIMERSLACK, 1, 0, 0, 0)
    except OSError as error:
        say(f"timers stay inexact by 50 µs ({error.strerror})")


def _call(name: str, *arguments: int) -> None:
    """A function of the C library that answers 0 or sets errno."""
    try:
        function = getattr(ctypes.CDLL(None, use_errno=True), name)
    except (AttributeError, OSError, TypeError):
        raise OSError(errno.ENOSYS, os.strerror(errno.ENOSYS)) from None
    if function(*(ctypes.c_ulong(argument) for argument in arguments)) != 0:
        number = ctypes.get_errno()
        raise OSError(number, os.strerror(number))
