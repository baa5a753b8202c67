"""Control without a screen: a Unix socket, one line of JSON for a request, one for its answer.

    {"command": "status"}               {"ok": true, "status": {…}}
    {"command": "tempo", "value": 92}   {"ok": true}
    {"command": "start"}                {"ok": false, "reason": "already playing"}

A thread of its own serves the clients, so that none of them can delay a note: `status` is answered
from what the loop has left here last, and everything else becomes a `Request` in the inbox, at
most one a client and one every 40 ms in all. What the loop has not answered within a second is
answered with "no answer". A client is never waited for: it has one request at a time and is read
again when it has taken its answer. Who sends too long a line, or half a line and no more, is let
go; when there are too many, so is the one that has been silent longest.
"""

import contextlib
import json
import os
import select
import selectors
import socket
import threading
import time
from collections import deque
from collections.abc import Callable
from pathlib import Path

from .request import Answer, Request, Value, read_request
from .socket_path import give_back, listen

LONGEST = 4096
CLIENTS = 16
_PATIENCE_S = 1.0  # for the loop to answer
_HALF_S = 10.0  # for a client to send the rest of a line, or to take its answer
_GAP_S = 0.04  # between two requests to the loop
_TURN_S = 0.02  # between two turns, whatever clients do: this thread mostly sleeps
_IDLE_S = 1.0


def _pack(answer: Answer) -> bytes:
    return json.dumps(answer).encode() + b"\n"


class _Client:
    def __init__(self, connection: socket.socket) -> None:
        self.connection = connection
        self.inbox = bytearray()
        self.outbox = bytearray()
        self.asked: object | None = None  # the ticket of the request that the loop has
        self.answer_by = 0.0
        self.since = time.monotonic()  # when it came, began its line, or was answered
        self.ended = False  # nothing more will come
        self.leaving = False  # to be closed when the answer is out

    @property
    def is_there(self) -> bool:
        return self.connection.fileno() >= 0

    def has_left(self) -> bool:
        """Whether nobody is at the other end to read an answer; having said all is not leaving."""
        poll = select.poll()
        poll.register(self.connection, 0)
        return bool(poll.poll(0))


class ControlServer:
    """The socket and its thread. `publish` is the loop's; `judge` runs in the thread."""

    def __init__(
        self,
        path: Path,
        put: Callable[[Request], None],
        judge: Callable[[str, Value], str | None] = lambda name, value: None,
        group: str | None = None,
    ) -> None:
        """Listen at `path`, for the members of `group`. Raises ControlError.

        `judge` says why a command is none, before the loop is bothered.
        """
        self._path, self._put, self._judge = path, put, judge
        self._listener, self._inode = listen(path, group)
        self._status: Callable[[], Answer] = dict
        self._clients: dict[int, _Client] = {}
        self._waiting: deque[tuple[_Client, str, Value]] = deque()
        self._replies: deque[tuple[object, Answer]] = deque()
        self._free_at = 0.0
        self._wake_read, self._wake_write = os.pipe()
        os.set_blocking(self._wake_write, False)
        os.set_blocking(self._wake_read, False)
        self._select = selectors.DefaultSelector()
        self._select.register(self._wake_read, selectors.EVENT_READ)
        self._select.register(self._listener, selectors.EVENT_READ)
        self._stop = threading.Event()
        self._thread = threading.Thread(target=self._run, name="control", daemon=True)
        self._thread.start()

    def publish(self, status: Callable[[], Answer]) -> None:
        """What `status` says from now on. It is put into words in the thread, from what never changes."""
        self._status = status

    def close(self) -> None:
        """Let everybody go, and take the socket away. May be called again."""
        if self._stop.is_set():
            return
        self._stop.set()
        self._wake()
        self._thread.join(2.0)
        give_back(self._path, self._inode)
        if not self._thread.is_alive():
            os.close(self._wake_read)
            os.close(self._wake_write)

    # ---- the thread -------------------------------------------------------------------

    def _run(self) -> None:
        while not self._stop.is_set():
            ready = self._select.select(_TURN_S if self._under_way() else _IDLE_S)
            for key, mask in ready:
                if key.fileobj is self._listener:
                    self._accept()
                elif key.fd == self._wake_read:
                    with contextlib.suppress(BlockingIOError):
                        os.read(self._wake_read, 4096)
                elif key.fd in self._clients:
                    self._serve(self._clients[key.fd], mask)
            self._deliver()
            self._go_on()
            if any(key.fd != self._wake_read for key, _ in ready):
                self._stop.wait(_TURN_S)
        self._end()

    def _under_way(self) -> bool:
        return any(one.asked or one.outbox or b"\n" in one.inbox for one in self._clients.values())

    def _accept(self) -> None:
        for _ in range(CLIENTS):
            try:
                connection, _ = self._listener.accept()
            except OSError:  # no more of them, or no descriptor left
                return
            connection.setblocking(False)
            if not self._has_room():
                with contextlib.suppress(OSError):
                    connection.send(_pack({"ok": False, "reason": "too many are asking at once"}))
                connection.close()
                continue
            client = self._clients[connection.fileno()] = _Client(connection)
            self._select.register(connection, selectors.EVENT_READ)
            self._serve(client, selectors.EVENT_READ)  # most have said all already

    def _has_room(self) -> bool:
        """Room for one more, if need be that of who has left, or has been silent longest."""
        if len(self._clients) < CLIENTS:
            return True
        clients = list(self._clients.values())
        spare = [one for one in clients if one.has_left()]
        spare = spare or [one for one in clients if not one.asked and b"\n" not in one.inbox]
        if spare:
            self._drop(min(spare, key=lambda one: one.since))
        return bool(spare)

    def _serve(self, client: _Client, mask: int) -> None:
        try:
            if mask & selectors.EVENT_READ:
                part = client.connection.recv(LONGEST)
                if not client.inbox:
                    client.since = time.monotonic()
                client.inbox += part
                client.ended = not part
            if mask & selectors.EVENT_WRITE:
                del client.outbox[: client.connection.send(client.outbox)]
        except BlockingIOError:
            pass
        except OSError:
            self._drop(client)

    def _deliver(self) -> None:
        """Give out what the loop has answered, and what it has not answered in time."""
        answers = {}
        while self._replies:
            ticket, answer = self._replies.popleft()
            answers[ticket] = answer
        now = time.monotonic()
        for client in list(self._clients.values()):
            if client.asked in answers:
                self._answer(client, answers[client.asked])
            elif client.asked and now >= client.answer_by:
                self._answer(client, {"ok": False, "reason": "no answer"})

    def _go_on(self) -> None:
        """The next request of each client that has taken its last answer; at most one to the loop."""
        now = time.monotonic()
        for client in list(self._clients.values()):
            if not (client.asked or client.outbox or client.leaving):
                self._next_line(client)
            if self._is_done(client, now):
                self._drop(client)
            elif client.is_there:
                self._listen_to(client)
        if self._waiting and now >= self._free_at:
            # Who was dropped, or answered with "no answer", waits no more. Who has left comes last.
            waiting = [one for one in self._waiting if one[0].asked]
            self._waiting = deque(sorted(waiting, key=lambda one: one[0].has_left()))
            if self._waiting:
                self._free_at = now + _GAP_S
                self._ask(*self._waiting.popleft())

    @staticmethod
    def _is_done(client: _Client, now: float) -> bool:
        if client.asked:
            return False
        if client.inbox or client.outbox:
            late = now - client.since > _HALF_S
            over = client.ended and not client.outbox and b"\n" not in client.inbox
            return late or over
        return client.leaving or client.ended

    def _next_line(self, client: _Client) -> None:
        line, end, rest = client.inbox.partition(b"\n")
        if len(line) >= LONGEST:
            self._answer(client, {"ok": False, "reason": f"a request is at most {LONGEST} bytes"})
            client.inbox.clear()
            client.leaving = True
        elif end:
            client.inbox = rest
            self._take(client, bytes(line))

    def _take(self, client: _Client, line: bytes) -> None:
        try:
            name, value = read_request(line)
        except ValueError as error:
            self._answer(client, {"ok": False, "reason": str(error)})
            return
        if name == "status":
            self._answer(client, {"ok": True, "status": self._status()})
        elif reason := self._judge(name, value):
            self._answer(client, {"ok": False, "reason": reason})
        else:
            client.asked = object()
            client.answer_by = time.monotonic() + _PATIENCE_S
            self._waiting.append((client, name, value))

    def _ask(self, client: _Client, name: str, value: Value) -> None:
        ticket = client.asked

        def reply(answer: Answer) -> None:
            if not self._stop.is_set():
                self._replies.append((ticket, answer))
                self._wake()

        client.answer_by = time.monotonic() + _PATIENCE_S
        self._put(Request(time.monotonic_ns(), name, value, reply))

    def _answer(self, client: _Client, answer: Answer) -> None:
        client.asked = None
        client.since = time.monotonic()
        client.outbox += _pack(answer)
        self._serve(client, selectors.EVENT_WRITE)

    def _listen_to(self, client: _Client) -> None:
        """Read who has no line waiting, write to who has an answer to take, and else leave be."""
        mask = selectors.EVENT_WRITE if client.outbox else 0
        if not (client.asked or client.outbox or client.ended or client.leaving or b"\n" in client.inbox):
            mask |= selectors.EVENT_READ
        known = self._select.get_map().get(client.connection.fileno())
        if known and not mask:
            self._select.unregister(client.connection)
        elif known and known.events != mask:
            self._select.modify(client.connection, mask)
        elif mask and not known:
            self._select.register(client.connection, mask)

    def _drop(self, client: _Client) -> None:
        fd = client.connection.fileno()
        if self._clients.pop(fd, None):
            with contextlib.suppress(KeyError):
                self._select.unregister(client.connection)
            client.asked = None
            client.connection.close()

    def _wake(self) -> None:
        with contextlib.suppress(OSError):  # full: it wakes anyway; closed: nobody is left
            os.write(self._wake_write, b"!")

    def _end(self) -> None:
        for client in list(self._clients.values()):
            self._drop(client)
        self._select.close()
        self._listener.close()
