"""The two sides of a control socket: a loop that answers, and somebody who asks."""

import json
import socket
import time

SHORT_S = 3.0
STATUS = {"ok": True, "status": {"tune": "wet-boots", "bar": 3}}


class Loop:
    """A loop that answers at once, or when it is told to."""

    def __init__(self):
        self.asked = []
        self.answers = True
        self.times = []

    def put(self, request):
        self.asked.append((request.name, request.value))
        self.times.append(time.monotonic())
        assert request.at <= time.monotonic_ns()
        if self.answers:
            ok = request.name != "refused"
            request.reply({"ok": True} if ok else {"ok": False, "reason": "already playing"})


class Client:
    """Somebody at the socket, as well-behaved as the test wants."""

    def __init__(self, place):
        self.connection = socket.socket(socket.AF_UNIX)
        self.connection.settimeout(SHORT_S)
        self.connection.connect(str(place))
        self.answers = self.connection.makefile("rb")

    def send(self, data):
        self.connection.sendall(data)

    def ask(self, command, value=None):
        self.send(json.dumps({"command": command, "value": value}).encode() + b"\n")
        return self.answer()

    def answer(self):
        line = self.answers.readline()
        return json.loads(line) if line else None

    def close(self):
        self.answers.close()
        self.connection.close()
