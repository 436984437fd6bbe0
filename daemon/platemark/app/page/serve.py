"""The page's own process: `python -m platemark.app.page.serve STUDIO`.

Started beside the service it ends with it: its standard input is a pipe that only the service
holds. It is polite to the pictures: it yields the processor to whatever prepares them.
"""

from __future__ import annotations

import asyncio
import contextlib
import os
import signal
import socket
import sys
import threading
from collections.abc import Callable
from pathlib import Path

import h11
import structlog
import uvicorn
from uvicorn.protocols.http.h11_impl import H11Protocol

from platemark.app import logs
from platemark.app.page.keys import token_of
from platemark.app.page.site import make_app, studio_of
from platemark.model.errors import PlatemarkError, UsageError
from platemark.model.page import Page, is_any_address

NICENESS = 15
"""So that a flood takes a few hundredths of a processor from what prepares pictures, no more."""
MOST_CONNECTIONS = 64
MOST_OF_CALLER = 40
LOOK_S = 10.0
IDLE_S = 15
HEAD_BYTES = 16 * 1024


class BoundedProtocol(H11Protocol):
    """HTTP/1.1 by few connections at once, none of which may only sit there.

    Every ten seconds each connection is looked at. One that has begun a request and not ended its
    head since the last look is cut, and so is one that takes nothing of what it asked for.
    """

    _is_turned_away = False
    _is_silent = True
    _unsent = 0

    def connection_made(self, transport: asyncio.Transport) -> None:  # type: ignore[override]
        """Take a connection, unless there are too many."""
        caller = _caller(transport)
        of_caller = sum(1 for each in self.connections if _caller(each.transport) == caller)
        if len(self.connections) >= MOST_CONNECTIONS or of_caller >= MOST_OF_CALLER:
            self._is_turned_away = True
            transport.abort()
            return
        super().connection_made(transport)
        self._look_again = self.loop.call_later(LOOK_S, self._look)

    def connection_lost(self, exc: Exception | None) -> None:
        """Forget a connection."""
        if not self._is_turned_away:
            self._look_again.cancel()
            super().connection_lost(exc)

    def data_received(self, data: bytes) -> None:
        """Hear what a connection says."""
        if not self._is_turned_away:
            super().data_received(data)

    def eof_received(self) -> None:
        """Nothing more comes."""

    def _look(self) -> None:
        unsent = self.transport.get_write_buffer_size()
        takes_nothing = 0 < self._unsent <= unsent
        is_answered = self.cycle is None or self.cycle.response_complete
        owes = self.conn.their_state is h11.SEND_BODY or bool(self.conn.trailing_data[0])
        is_silent = is_answered and (self.cycle is None or owes)
        if takes_nothing or (is_silent and self._is_silent):
            self.transport.abort()
            return
        self._unsent, self._is_silent = unsent, is_silent
        self._look_again = self.loop.call_later(LOOK_S, self._look)


def _caller(transport: asyncio.BaseTransport) -> str:
    peer = transport.get_extra_info("peername")
    return str(peer[0]) if peer else ""


def bind(page: Page) -> socket.socket:
    """Take the page's address.

    Raises:
        UsageError: something else has it, or it is none of this computer's.
    """
    try:
        found = socket.getaddrinfo(
            page.host, page.port, type=socket.SOCK_STREAM, flags=socket.AI_PASSIVE
        )
        family, kind, protocol, _, address = found[0]
        taken = socket.socket(family, kind, protocol)
        try:
            taken.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
            taken.bind(address)
        except BaseException:
            taken.close()
            raise
    except (OSError, UnicodeError) as error:  # a name that no computer can have is a UnicodeError
        why = error.strerror if isinstance(error, OSError) else "that is no name of a computer"
        raise UsageError(
            f"The page cannot answer at {page.host}, port {page.port}: {why}.",
            "Perhaps the service shows it there already. Else give another port with --port, or "
            "under [page] in studio.toml.",
        ) from error
    return taken


def address_of(page: Page, port: int) -> str:
    """Where a browser finds the page."""
    host = next(iter(page.hosts), "localhost") if is_any_address(page.host) else page.host
    return f"http://{f'[{host}]' if ':' in host else host}:{port}/"


def make_server(root: Path, page: Page) -> tuple[uvicorn.Server, socket.socket]:
    """A server and the address that it has taken; it answers there once it is run.

    Args:
        root: The studio.
        page: Where to answer.

    Raises:
        UsageError: the address is taken, or the token cannot be used.
        SettingsError: the studio's settings have mistakes.
    """
    seen = studio_of(root)
    token = None if page.is_here_only else token_of(root)
    config = uvicorn.Config(
        make_app(seen, page, token),
        http=BoundedProtocol,
        ws="none",
        lifespan="on",
        log_config=None,
        access_log=False,
        server_header=False,
        proxy_headers=False,
        backlog=MOST_CONNECTIONS,
        timeout_keep_alive=IDLE_S,
        timeout_graceful_shutdown=2,
        h11_max_incomplete_event_size=HEAD_BYTES,
    )
    return uvicorn.Server(config), bind(page)


def serve(root: Path, page: Page, *, say: Callable[[str], None] | None = None) -> None:
    """Show the page until SIGTERM or SIGINT.

    Args:
        root: The studio.
        page: Where to answer.
        say: Called with the address once that is taken.

    Raises:
        UsageError: the address is taken, or the token cannot be used.
        SettingsError: the studio's settings have mistakes.
    """
    server, taken = make_server(root, page)
    address = address_of(page, int(taken.getsockname()[1]))
    structlog.get_logger().info("page-started", address=address)
    if say is not None:
        say(address)
    os.nice(NICENESS)
    with taken:
        server.run(sockets=[taken])


def _end_with_parent() -> None:
    """End when the service has: its end of our standard input is closed then."""

    def wait() -> None:
        with contextlib.suppress(OSError):
            while os.read(0, 4096):
                pass
        os.kill(os.getpid(), signal.SIGTERM)
        threading.Event().wait(5)
        os._exit(0)

    threading.Thread(target=wait, name="parent", daemon=True).start()


def main(root: Path) -> None:
    """Serve beside a service, by the studio's settings; a fault is logged, and the exit code 1."""
    logs.configure("json")
    _end_with_parent()
    try:
        serve(root, studio_of(root).settings.studio.page)
    except PlatemarkError as error:
        structlog.get_logger().error("page-refused", why=error.sentence, hint=error.hint)
        sys.exit(1)


if __name__ == "__main__":
    main(Path(sys.argv[1]))
