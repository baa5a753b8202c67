"""Who means harm at the control socket, or is slow, or goes away, harms nothing."""

import contextlib
import os
import socket
import threading
import time
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from pedal.service.control import server as module
from pedal.service.control.request import read_request
from pedal.service.control.server import CLIENTS, LONGEST
from tests.hardware.conformance import until
from tests.service.control.bench import STATUS, Loop


class TestHarm:
    @pytest.mark.parametrize(
        "line",
        [
            b"",
            b"start",
            b"[]",
            b"{}",
            b'{"command": 5}',
            b'{"command": "start", "at": 5}',
            b'{"command": "start", "value": {}}',
            b'{"command": "start", "value": [1]}',
            b'{"command": "start", "value": [["a"]]}',
            b'{"command": "tempo", "value": NaN}',
            b'{"command": "tempo", "value": 1e999}',
            b'{"command": "tempo", "value": ' + b"9" * 3000 + b"}",
            b'{"command": "load", "value": "' + b"x" * 201 + b'"}',
            b'{"command": "load", "value": "a\\u0000b"}',
            b'{"command": "load", "value": "\\ud800"}',
            b"\xff\xfe",
            b"[" * 4000,
            b'{"command": "start"',
        ],
    )
    def test_what_is_no_request_is_told_so(self, client, loop, line):
        one = client()
        one.send(line + b"\n")
        answer = one.answer()
        assert answer["ok"] is False and "\n" not in answer["reason"]
        assert one.ask("status") == STATUS  # and the next line is
        assert loop.asked == []

    @pytest.mark.parametrize("end", [b"\n", b""])
    def test_too_long_a_line(self, client, loop, end):
        one = client()
        with contextlib.suppress(ConnectionError):
            one.send(b"x" * (3 * LONGEST) + end)
        with contextlib.suppress(ConnectionError):
            assert one.answer() == {"ok": False, "reason": "a request is at most 4096 bytes"}
            assert one.answer() is None
        assert client().ask("status") == STATUS

    def test_the_longest_line_there_may_be(self, client):
        request = b'{"command": "status"}'
        one = client()
        one.send(request + b" " * (LONGEST - 1 - len(request)) + b"\n")
        assert one.answer() == STATUS

    def test_half_a_line_is_let_go_after_a_while(self, client, monkeypatch):
        monkeypatch.setattr(module, "_HALF_S", 0.2)
        monkeypatch.setattr(module, "_IDLE_S", 0.05)
        one, other = client(), client()
        one.send(b'{"command": ')
        assert one.answer() is None
        assert other.ask("status") == STATUS

    def test_who_takes_no_answer_is_let_go(self, client, loop, server, monkeypatch):
        monkeypatch.setattr(module, "_HALF_S", 0.2)
        server.publish(lambda: {"much": "x" * 2_000_000})  # more than the system holds for a client
        one = client()
        one.send(b'{"command": "status"}\n')
        until(lambda: server._clients == {})
        server.publish(lambda: {"tune": "wet-boots", "bar": 3})
        assert client().ask("status") == STATUS

    def test_who_goes_away_before_the_answer(self, client, loop, server):
        loop.answers = False
        requests = []
        server._put = requests.append
        one = client()
        one.send(b'{"command": "start"}\n')
        until(lambda: requests)
        one.close()
        requests[0].reply({"ok": True})
        server._put = Loop().put
        assert client().ask("start") == {"ok": True}

    def test_when_there_are_too_many_the_most_silent_goes(self, client):
        silent = client()
        assert silent.ask("status") == STATUS
        others = [client() for _ in range(CLIENTS)]
        assert [one.ask("status") for one in others] == [STATUS] * CLIENTS
        assert silent.answer() is None

    def test_a_flood_of_commands_comes_to_the_loop_in_drops(self, client, loop):
        one, seconds = client(), 1.0
        done = threading.Event()

        def flood():
            with contextlib.suppress(OSError):
                while not done.is_set():
                    one.send(b'{"command": "tempo", "value": 92}\n' * 20)

        thread = threading.Thread(target=flood)
        thread.start()
        until(lambda: loop.times and time.monotonic() - loop.times[0] > seconds)
        assert client().ask("status") == STATUS
        done.set()
        one.connection.shutdown(socket.SHUT_RDWR)
        thread.join()
        assert len(loop.times) <= (loop.times[-1] - loop.times[0]) / module._GAP_S + 1.5
        assert len(loop.times) > 3

    def test_a_flood_costs_little(self, client):
        one = client()
        done = threading.Event()

        def flood():
            with contextlib.suppress(OSError, ValueError):
                while not done.is_set():
                    one.ask("status")

        thread = threading.Thread(target=flood)
        server = next(each for each in threading.enumerate() if each.name == "control")
        before, started = _cpu_s(server), time.monotonic()
        thread.start()
        until(lambda: time.monotonic() - started > 1.0)
        used = _cpu_s(server) - before
        done.set()
        thread.join()
        print(f"\nthe server's thread used {used * 100:.1f} % of a core under a flood")
        assert used < 0.15

    @given(st.binary(max_size=300))
    def test_any_bytes_are_a_request_or_told(self, line):
        try:
            name, value = read_request(line)
        except ValueError as error:
            assert "\n" not in str(error) and len(str(error)) < 200
        else:
            assert isinstance(name, str)
            assert value is None or isinstance(value, bool | int | float | str | list)


def _cpu_s(thread):
    """What a thread has used of a core so far, in seconds."""
    fields = Path(f"/proc/self/task/{thread.native_id}/stat").read_text().rpartition(")")[2].split()
    return (int(fields[11]) + int(fields[12])) / os.sysconf("SC_CLK_TCK")
