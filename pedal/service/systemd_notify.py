"""Tells the service manager how we are (systemd's sd_notify protocol, over its datagram socket)."""

import os
import socket
from collections.abc import Mapping


class Notifier:
    """Every method does nothing when no service manager is listening, and never raises or waits."""

    def __init__(self, environ: Mapping[str, str] = os.environ) -> None:
        address = environ.get("NOTIFY_SOCKET", "")
        # "@" stands for the null byte that begins an abstract address.
        self._address = "\0" + address[1:] if address.startswith("@") else address
        self._environ = environ
        self._socket = socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) if address else None
        if self._socket is not None:
            self._socket.setblocking(False)

    def ready(self) -> None:
        """Start-up is done."""
        self._tell("READY=1")

    def stopping(self) -> None:
        """Shutting down has begun."""
        self._tell("STOPPING=1")

    def watchdog(self) -> None:
        """The loop is alive."""
        self._tell("WATCHDOG=1")

    def status(self, text: str) -> None:
        """One line for `systemctl status`."""
        self._tell("STATUS=" + text.replace("\n", " "))

    def watchdog_interval_ns(self) -> int | None:
        """How often to call `watchdog`, in ns: half of what is allowed. None: nobody asks."""
        usec = self._environ.get("WATCHDOG_USEC", "")
        pid = self._environ.get("WATCHDOG_PID", str(os.getpid()))
        if not usec.isdecimal() or int(usec) == 0 or pid != str(os.getpid()):
            return None
        return int(usec) * 1000 // 2

    def close(self) -> None:
        """Give the socket back."""
        if self._socket is not None:
            self._socket.close()
            self._socket = None

    def _tell(self, line: str) -> None:
        if self._socket is not None:
            try:
                self._socket.sendto(line.encode(), self._address)
            except OSError:
                pass  # a manager that is gone or busy is no reason to stop the music
