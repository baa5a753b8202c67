import os
import signal
import threading
import time

import pytest

from pedal.events import NS_PER_MS, NS_PER_S
from pedal.service.inbox import ConditionWaker, FdWaker, Inbox

WAKERS = [ConditionWaker] + ([FdWaker] if FdWaker.available() else [])


@pytest.fixture(params=WAKERS)
def inbox(request):
    inbox = Inbox(request.param())
    yield inbox
    inbox.close()


@pytest.fixture
def in_thread():
    """Runs something in a thread, and joins it at the end of the test."""
    threads = []

    def start(work):
        threads.append(threading.Thread(target=work))
        threads[-1].start()
        return threads[-1]

    yield start
    for thread in threads:
        thread.join(5)
        assert not thread.is_alive()


def test_linux_gets_file_descriptors():
    assert FdWaker.available() == (os.uname().sysname == "Linux")


def test_drains_in_order_of_arrival(inbox):
    for number in range(5):
        inbox.put(number)
    assert inbox.drain() == [0, 1, 2, 3, 4]
    assert inbox.drain() == []


def test_does_not_wait_when_something_is_there(inbox):
    inbox.put("a")
    inbox.wait(None)
    inbox.wait(time.monotonic_ns() + 60 * NS_PER_S)
    assert inbox.drain() == ["a"]


@pytest.mark.parametrize("ago_ns", [0, 1, NS_PER_S, None])
def test_does_not_wait_for_the_past(inbox, ago_ns):
    inbox.wait(0 if ago_ns is None else time.monotonic_ns() - ago_ns)
    assert inbox.drain() == []


@pytest.mark.parametrize("spin_ns", [0, 200_000, NS_PER_S])
def test_never_returns_before_the_deadline(inbox, spin_ns):
    inbox.spin_ns = spin_ns
    for wait_ns in (1, 1000, NS_PER_MS, 5 * NS_PER_MS):
        until = time.monotonic_ns() + wait_ns
        inbox.wait(until)
        late = time.monotonic_ns() - until
        assert 0 <= late < NS_PER_S


@pytest.mark.parametrize(("spin_ns", "busy"), [(0, False), (40 * NS_PER_MS, True)])
def test_sleeps_unless_told_to_spin(inbox, spin_ns, busy):
    inbox.put("old")
    inbox.drain()
    inbox.spin_ns = spin_ns
    worked = time.thread_time_ns()
    inbox.wait(time.monotonic_ns() + 50 * NS_PER_MS)
    worked = time.thread_time_ns() - worked
    assert (worked > 2 * NS_PER_MS) == busy  # others may leave little of the processor to a loop


def test_an_old_wake_does_not_end_the_next_wait(inbox):
    inbox.put("a")
    inbox.drain()
    until = time.monotonic_ns() + 2 * NS_PER_MS
    inbox.wait(until)
    assert time.monotonic_ns() >= until


def test_a_wait_without_end_follows_one_with_an_end(inbox, in_thread):
    inbox.wait(time.monotonic_ns() + 1000)  # the timer must not stay armed
    back = threading.Event()
    worked = []

    def wait():
        inbox.wait(None)
        worked.append(time.thread_time_ns())
        back.set()

    in_thread(wait)
    assert not back.wait(0.05)
    inbox.put("a")
    assert back.wait(5)
    assert worked[0] < 20 * NS_PER_MS  # it slept


@pytest.mark.parametrize("spin_ns", [0, 120 * NS_PER_S])
@pytest.mark.parametrize("until", [None, 60 * NS_PER_S])
def test_a_put_ends_the_wait(inbox, in_thread, spin_ns, until):
    inbox.spin_ns = spin_ns
    waits = threading.Event()
    back = threading.Event()

    def wait():
        waits.set()
        inbox.wait(None if until is None else time.monotonic_ns() + until)
        back.set()

    in_thread(wait)
    assert waits.wait(5)
    assert not back.is_set()
    inbox.put("a")
    assert back.wait(5)
    assert inbox.drain() == ["a"]


def test_nothing_is_lost_or_reordered_between_threads(inbox, in_thread):
    each = 2000
    for who in range(4):
        in_thread(lambda who=who: [inbox.put((who, number)) for number in range(each)])
    got = []
    give_up = time.monotonic_ns() + 20 * NS_PER_S
    while len(got) < 4 * each and time.monotonic_ns() < give_up:
        inbox.wait(give_up)
        got += inbox.drain()
    for who in range(4):
        assert [number for sender, number in got if sender == who] == list(range(each))


def test_a_signal_handler_may_put(inbox):
    before = signal.signal(signal.SIGALRM, lambda *_: inbox.put("alarm"))
    try:
        signal.setitimer(signal.ITIMER_REAL, 0.01)
        inbox.wait(time.monotonic_ns() + 20 * NS_PER_S)
        assert inbox.drain() == ["alarm"]
    finally:
        signal.signal(signal.SIGALRM, before)


def test_a_put_after_close_harms_no_other_file(inbox, tmp_path):
    inbox.close()
    inbox.close()
    with (tmp_path / "file").open("wb", buffering=0) as heir, (tmp_path / "other").open("wb", buffering=0):
        inbox.put("late")
        assert os.fstat(heir.fileno()).st_size == 0
    assert inbox.drain() == ["late"]


@pytest.mark.skipif(not FdWaker.available(), reason="no eventfd or timerfd here")
def test_file_descriptors_are_given_back():
    before = len(os.listdir("/proc/self/fd"))
    for _ in range(10):
        Inbox().close()
    assert len(os.listdir("/proc/self/fd")) == before
