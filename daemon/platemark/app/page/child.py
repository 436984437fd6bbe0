"""Keeps the status page beside the service, as a process of its own.

A page that ends is started anew after a pause that grows while it keeps ending; nothing of it ever
reaches the service's own thread. It ends with the service, however that ends: its standard input
is a pipe that the service alone has the other end of.
"""

from __future__ import annotations

import contextlib
import os
import subprocess
import sys
import threading
import time
from pathlib import Path

import structlog

from platemark.model.page import Page
from platemark.telling.credentials import CHANNELS, PASSWORD, USER

FIRST_PAUSE_S = 2.0
LONGEST_PAUSE_S = 300.0
STEADY_S = 60.0
"""A page that was up for so long is no longer one that keeps ending."""
END_S = 5.0
"""A page is given so long to end by itself."""
COMMAND = (sys.executable, "-I", "-B", "-m", "platemark.app.page.serve")


class PageChild:
    """The page of one studio, beside its service."""

    def __init__(
        self,
        root: Path,
        page: Page,
        *,
        command: tuple[str, ...] = COMMAND,
        first_pause_s: float = FIRST_PAUSE_S,
    ) -> None:
        """Make ready; nothing is started yet.

        Args:
            root: The studio.
            page: Its settings; a page that is off is never started.
            command: What starts it, before the studio's folder.
            first_pause_s: How long after its first end it is started anew.
        """
        self._command = (*command, str(root))
        self._page = page
        self._first_pause_s = first_pause_s
        self._stop = threading.Event()
        self._lock = threading.Lock()
        self._process: subprocess.Popen[bytes] | None = None
        self._thread: threading.Thread | None = None

    def start(self) -> None:
        """Start the page, unless it is off, and go on keeping it; returns at once."""
        if self._page.on and self._thread is None:
            self._thread = threading.Thread(target=self._keep, name="page", daemon=True)
            self._thread.start()

    def stop(self) -> None:
        """End the page; waits a few seconds at most."""
        self._stop.set()
        with self._lock:
            process = self._process
        if process is not None:
            _end(process)
        if self._thread is not None:
            self._thread.join(END_S)

    @property
    def pid(self) -> int | None:
        """The process that serves just now, or None."""
        with self._lock:
            return self._process.pid if self._process is not None else None

    def _keep(self) -> None:
        log = structlog.get_logger()
        pause = self._first_pause_s
        while not self._stop.is_set():
            begun = time.monotonic()
            try:
                why = self._serve()
            except Exception as error:  # the service goes on without its page, whatever it is
                why = str(error)
            if self._stop.is_set():
                return
            if time.monotonic() - begun >= STEADY_S:
                pause = self._first_pause_s
            log.warning("page-ended", why=why, again_in_s=round(pause, 1))
            self._stop.wait(pause)
            pause = min(2 * pause, LONGEST_PAUSE_S)

    def _serve(self) -> str:
        """Start it once and wait until it ends; says how."""
        process = subprocess.Popen(
            self._command, stdin=subprocess.PIPE, stdout=subprocess.DEVNULL, env=_environment()
        )
        with self._lock:
            self._process = process
        try:
            if self._stop.is_set():
                _end(process)
            code = process.wait()
        finally:
            with self._lock:
                self._process = None
            if process.stdin is not None:
                process.stdin.close()
        return f"ended by signal {-code}" if code < 0 else f"ended with exit code {code}"


def _environment() -> dict[str, str]:
    """Ours, without names and passwords that whatever answers a network has no use for."""
    secret = (USER, PASSWORD, CHANNELS)
    return {name: value for name, value in os.environ.items() if name not in secret}


def _end(process: subprocess.Popen[bytes]) -> None:
    with contextlib.suppress(ProcessLookupError):
        process.terminate()
    try:
        process.wait(END_S)
    except subprocess.TimeoutExpired:
        process.kill()
