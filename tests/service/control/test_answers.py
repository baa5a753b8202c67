"""The control socket: who asks is answered."""

import json
import socket
import time

from pedal.service.control.server import CLIENTS
from tests.hardware.conformance import until
from tests.service.control.bench import STATUS


def test_status_is_answered_without_the_loop(client, loop):
    assert client().ask("status") == STATUS
    assert loop.asked == []


def test_commands_are_answered_by_the_loop(client, loop):
    one = client()
    assert one.ask("tempo", 92) == {"ok": True}
    assert one.ask("refused") == {"ok": False, "reason": "already playing"}
    assert loop.asked == [("tempo", 92), ("refused", None)]


def test_what_is_no_command_does_not_reach_the_loop(client, loop):
    assert client().ask("nonsense") == {"ok": False, "reason": "no such thing"}
    assert loop.asked == []


def test_several_lines_at_once_are_answered_in_turn(client):
    one = client()
    one.send(b'{"command": "status"}\n{"command": "nonsense"}\n{"command": "start"}\n')
    assert [one.answer()["ok"] for _ in range(3)] == [True, False, True]


def test_who_has_said_all_is_answered_and_let_go(client):
    """As in `echo … | nc -U`."""
    one = client()
    one.send(b'{"command": "start"}\n{"command": "status"}\n')
    one.connection.shutdown(socket.SHUT_WR)
    assert [one.answer(), one.answer(), one.answer()] == [{"ok": True}, STATUS, None]


def test_a_loop_that_does_not_answer(client, loop, server):
    loop.answers = False
    one = client()
    started = time.monotonic()
    assert one.ask("start") == {"ok": False, "reason": "no answer"}
    assert 0.9 < time.monotonic() - started < 2.5
    loop.answers = True
    assert one.ask("stop") == {"ok": True}


def test_an_answer_that_comes_too_late_answers_nothing_else(client, server, place):
    requests = []
    server._put = requests.append
    one = client()
    assert one.ask("start")["reason"] == "no answer"
    one.send(b'{"command": "stop"}\n')
    until(lambda: len(requests) == 2)
    requests[0].reply({"ok": False, "reason": "much too late"})
    requests[1].reply({"ok": True})
    assert one.answer() == {"ok": True}


def test_many_at_once(client, loop):
    clients = [client() for _ in range(CLIENTS)]
    for number, one in enumerate(clients):
        one.send(json.dumps({"command": "tempo", "value": number}).encode() + b"\n")
    assert [one.answer() for one in clients] == [{"ok": True}] * CLIENTS
    assert sorted(value for _, value in loop.asked) == list(range(CLIENTS))
