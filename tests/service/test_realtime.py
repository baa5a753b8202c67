"""Taking priority: in processes of their own, for it is for good."""

import gc
import json
import os
import signal
import subprocess
import sys
from pathlib import Path

import pytest

from pedal.service.realtime import StoppedCollector

ROOT = os.geteuid() == 0
needs_root = pytest.mark.skipif(not ROOT, reason="only root may always take and give up priority")

# After its imports: it may not be allowed to read the interpreter any more.
_GIVE_UP = """
import ctypes, os, resource
for limit in (resource.RLIMIT_RTPRIO, resource.RLIMIT_MEMLOCK):
    resource.setrlimit(limit, (0, 0))
os.setgid(65534)
os.setuid(65534)
ctypes.CDLL(None).prctl(4, 1, 0, 0, 0)  # PR_SET_DUMPABLE: may look at itself in /proc
"""
_LOOK = """
import ctypes, faulthandler, gc, json, os, resource, signal, sys, threading
from pedal.service.realtime import take_priority
exec(sys.argv[1])
said = []
rest = threading.Event()
threading.Thread(target=rest.wait, daemon=True).start()  # as a library may have done at its import
granted = take_priority(said.append)
threading.Thread(target=rest.wait, daemon=True).start()
tasks = [int(task) for task in os.listdir("/proc/self/task")]
status = dict(line.split(":", 1) for line in open("/proc/self/status"))
print(json.dumps({
    "granted": granted, "said": said, "threads": len(tasks),
    "policies": [os.sched_getscheduler(task) for task in tasks],
    "priorities": [os.sched_getparam(task).sched_priority for task in tasks],
    "rt_time": resource.getrlimit(resource.RLIMIT_RTTIME), "locked_kb": int(status["VmLck"].split()[0]),
    "slack_ns": int(open("/proc/self/timerslack_ns").read()), "switch": sys.getswitchinterval(),
    "collects": gc.isenabled(), "frozen": gc.get_freeze_count(),
}))
"""


def look(first=""):
    """What a process has after taking all it can get."""
    environ = {**os.environ, "PYTHONPATH": str(Path(__file__).parents[2])}
    done = subprocess.run([sys.executable, "-c", _LOOK, first], capture_output=True, text=True, env=environ)
    assert done.returncode == 0, done.stderr
    return json.loads(done.stdout)


@needs_root
def test_all_threads_get_it_those_before_and_those_after():
    found = look()
    if not found["granted"]:
        pytest.skip(f"no priority to be had here: {found['said']}")
    assert found["threads"] == 3
    assert found["policies"] == [os.SCHED_FIFO] * 3
    assert found["priorities"] == [30] * 3
    assert found["rt_time"] == [500_000, 1_000_000]
    assert found["locked_kb"] > 1000
    assert found["said"] == []


@needs_root
def test_without_the_privilege_it_says_what_is_missing_and_goes_on():
    found = look(_GIVE_UP)
    assert not found["granted"]
    assert found["policies"] == [os.SCHED_OTHER] * 3
    assert found["rt_time"] == [-1, -1]
    priority, memory = found["said"]
    assert "no real-time priority (Operation not permitted)" in priority
    assert "LimitRTPRIO=30" in priority and "rtprio 30" in priority
    assert memory.startswith("memory is not locked")
    assert "LimitMEMLOCK=infinity" in memory and "memlock unlimited" in memory


@pytest.mark.parametrize("first", ["", pytest.param(_GIVE_UP, marks=needs_root)])
def test_what_needs_no_privilege_is_done_anyway(first):
    found = look(first)
    assert found["slack_ns"] in (0, 1)  # for SCHED_FIFO newer kernels say 0
    assert found["switch"] == pytest.approx(1e-4)
    assert not found["collects"] and found["frozen"] > 1000


_RUN_AWAY = """
from pedal.service.realtime import take_priority
def turn_for_ever():
    while True:
        pass
assert take_priority(print)
turn_for_ever()
"""


@needs_root
def test_a_loop_that_runs_away_leaves_its_stack_and_ends():
    if not look()["granted"]:
        pytest.skip("no priority to be had here")
    environ = {**os.environ, "PYTHONPATH": str(Path(__file__).parents[2])}
    done = subprocess.run(
        [sys.executable, "-c", _RUN_AWAY], capture_output=True, text=True, env=environ, timeout=30
    )
    assert done.returncode == -signal.SIGXCPU
    assert "turn_for_ever" in done.stderr


class Knot:
    def __init__(self):
        self.itself = self


def test_garbage_waits_for_the_band_to_stop():
    collector = StoppedCollector()
    gc.collect()
    gc.disable()
    try:
        Knot()
        assert not collector.look(stopped=True)  # nothing was played yet
        assert not collector.look(stopped=False)
        assert any(isinstance(each, Knot) for each in gc.get_objects())
        assert collector.look(stopped=True)
        assert not any(isinstance(each, Knot) for each in gc.get_objects())
        assert not collector.look(stopped=True)  # once a stop
        assert not collector.look(stopped=False)
        assert collector.look(stopped=True)
    finally:
        gc.enable()
