"""Logs: structlog, configured once; JSON lines, or plain lines on a terminal."""

from __future__ import annotations

import io
import os
import sys
import threading
from typing import Any, Literal, TextIO

import structlog


def configure(form: Literal["auto", "console", "json"], *, quiet: bool = False) -> None:
    """Set logging up for this process; every record has a stable event name and its job.

    Args:
        form: `auto` is console on a terminal, JSON elsewhere.
        quiet: Only warnings and worse.
    """
    console = form == "console" or (form == "auto" and sys.stderr.isatty())
    renderer: structlog.typing.Processor = (
        structlog.dev.ConsoleRenderer(colors=sys.stderr.isatty() and not os.environ.get("NO_COLOR"))
        if console
        else structlog.processors.JSONRenderer(ensure_ascii=True)
    )
    lines = Lines(sys.stderr)
    structlog.configure(
        processors=[
            structlog.processors.add_log_level,
            structlog.processors.TimeStamper(fmt="iso", utc=True),
            structlog.processors.format_exc_info,
            lines.with_lost,
            renderer,
        ],
        wrapper_class=structlog.make_filtering_bound_logger(30 if quiet else 20),
        logger_factory=lambda *_: lines,
        cache_logger_on_first_use=False,
    )


class Lines:
    """Writes lines where they can be written, and counts those that could not.

    The log is only a word to whoever looks after Platemark; a disk that is full of it, or a reader
    that is gone, is no reason to stop. The first line that goes through again says how many were
    lost before it.
    """

    def __init__(self, stream: TextIO) -> None:
        """Write to a stream.

        Args:
            stream: Standard error, or what takes its place. Its own buffer is passed by: after a
                fault it would write the same again.
        """
        self._stream = stream
        self._lock = threading.Lock()
        self._lost = 0
        self._is_torn = False

    def with_lost(
        self, logger: object, method: str, event: structlog.typing.EventDict
    ) -> structlog.typing.EventDict:
        """Add to a record how many were lost before it."""
        del logger, method
        return {**event, "lost_before": self._lost} if self._lost else event

    def msg(self, line: str) -> None:
        """Write one line; of any level."""
        with self._lock:
            if self._write(line):
                self._lost = 0
            else:
                self._lost += 1

    log = debug = info = warning = error = critical = exception = msg

    def _write(self, line: str) -> bool:
        data: Any = memoryview(("\n" * self._is_torn + line + "\n").encode())
        try:
            descriptor = self._stream.fileno()
        except (OSError, ValueError, io.UnsupportedOperation):
            self._stream.write(f"{line}\n")
            return True
        try:
            while data:
                self._is_torn = True
                data = data[os.write(descriptor, data) :]
        except OSError:
            return False
        self._is_torn = False
        return True
