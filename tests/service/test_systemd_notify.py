import os
import socket

import pytest

from pedal.service.systemd_notify import Notifier


@pytest.fixture(params=["plain", "abstract"])
def manager(request, tmp_path):
    """A listening service manager: its socket, and the environment that names it."""
    if request.param == "plain":
        address = name = str(tmp_path / "notify")
    else:
        name = f"@pedal-test-{os.getpid()}"
        address = "\0" + name[1:]
    with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as listening:
        listening.bind(address)
        listening.settimeout(5)
        yield listening, {"NOTIFY_SOCKET": name}


def test_says_what_systemd_expects(manager):
    listening, environ = manager
    notifier = Notifier(environ)
    for tell, said in [
        (notifier.ready, b"READY=1"),
        (notifier.watchdog, b"WATCHDOG=1"),
        (lambda: notifier.status("bar 5 IV7 D♭7\nREADY=0"), "STATUS=bar 5 IV7 D♭7 READY=0".encode()),
        (notifier.stopping, b"STOPPING=1"),
    ]:
        tell()
        assert listening.recv(1024) == said
    notifier.close()


@pytest.mark.parametrize("environ", [{}, {"NOTIFY_SOCKET": ""}, {"NOTIFY_SOCKET": "/no/such/socket"}])
def test_nobody_listens(environ):
    notifier = Notifier(environ)
    notifier.ready()
    notifier.close()
    notifier.close()
    notifier.watchdog()


def test_a_manager_that_does_not_read_holds_up_nothing(manager):
    _, environ = manager
    notifier = Notifier(environ)
    for _ in range(5000):  # far more than a socket holds
        notifier.watchdog()
    notifier.close()


@pytest.mark.parametrize(
    ("environ", "interval_ns"),
    [
        ({}, None),
        ({"WATCHDOG_USEC": "20000000"}, 10_000_000_000),
        ({"WATCHDOG_USEC": "20000000", "WATCHDOG_PID": str(os.getpid())}, 10_000_000_000),
        ({"WATCHDOG_USEC": "20000000", "WATCHDOG_PID": "1"}, None),  # meant for our parent
        ({"WATCHDOG_USEC": "0"}, None),
        ({"WATCHDOG_USEC": "soon"}, None),
    ],
)
def test_watchdog_interval(environ, interval_ns):
    assert Notifier(environ).watchdog_interval_ns() == interval_ns
