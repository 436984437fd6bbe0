"""Tells the system's service manager how the service is: sd_notify(3), without its library.

One datagram a message to the socket that NOTIFY_SOCKET names, a path or, with @, an abstract name.
Where there is none, nothing is sent. A manager that does not read never keeps the service waiting.
"""

from __future__ import annotations

import contextlib
import os
import socket
import threading
import time
from collections.abc import MutableMapping

_NAMES = ("NOTIFY_SOCKET", "WATCHDOG_USEC", "WATCHDOG_PID")
_LONGEST_STATUS = 200


class Notifier:
    """The word to the service manager; only the thread that made it feeds the watchdog."""

    def __init__(self, environment: MutableMapping[str, str] = os.environ) -> None:
        """Take what the manager wrote into the environment out of it, so that no child has it."""
        address, microseconds, pid = (environment.pop(name, "") for name in _NAMES)
        self._socket: socket.socket | None = None
        self._address = f"\0{address[1:]}" if address.startswith("@") else address
        self._thread = threading.get_ident()
        self._fed = float("-inf")
        self._status = ""
        is_ours = not pid or pid == str(os.getpid())
        patience = int(microseconds) / 1e6 if microseconds.isdecimal() and is_ours else 0.0
        if self._address.startswith(("/", "\0")):
            self._socket = socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM | socket.SOCK_CLOEXEC)
            self._socket.setblocking(False)
        self.watchdog_s = patience if self._socket is not None else 0.0
        """Seconds after which the manager gives the service up for hung; 0 where it never does."""

    def ready(self) -> None:
        """Say that the studio is open, and drops are taken."""
        self._send("READY=1")

    def status(self, sentence: str) -> None:
        """Say in one line what the service is at, where that is news."""
        line = " ".join(sentence.split())[:_LONGEST_STATUS]
        if line != self._status and self._send(f"STATUS={line}"):
            self._status = line

    def alive(self) -> None:
        """Feed the watchdog, a few times within its patience.

        To be called when something really went on: a turn that came to its end, or bytes that were
        moved. From any other thread than the service's own it does nothing, because what couriers
        and children do says nothing of that one.
        """
        if not self.watchdog_s or threading.get_ident() != self._thread:
            return
        now = time.monotonic()
        if now - self._fed >= self.watchdog_s / 4 and self._send("WATCHDOG=1"):
            self._fed = now

    def stopping(self) -> None:
        """Say that the service ends."""
        self._send("STOPPING=1\nSTATUS=The turn under way comes to its end.")

    def close(self) -> None:
        """Say nothing more."""
        if self._socket is not None:
            self._socket.close()
            self._socket = None

    def _send(self, message: str) -> bool:
        if self._socket is None:
            return False
        with contextlib.suppress(OSError):
            self._socket.sendto(message.encode(), self._address)
            return True
        return False
