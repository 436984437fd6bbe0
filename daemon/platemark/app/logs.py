"""Logs: structlog, configured once; JSON lines, or plain lines on a terminal."""

from __future__ import annotations

import sys
from typing import Literal

import structlog


def configure(form: Literal["auto", "console", "json"], *, quiet: bool = False) -> None:
    """Set logging up for this process; every record has a stable event name and its job.

    Args:
        form: `auto` is console on a terminal, JSON elsewhere.
        quiet: Only warnings and worse.
    """
    console = form == "console" or (form == "auto" and sys.stderr.isatty())
    renderer: structlog.typing.Processor = (
        structlog.dev.ConsoleRenderer(colors=sys.stderr.isatty())
        if console
        else structlog.processors.JSONRenderer(ensure_ascii=True)
    )
    structlog.configure(
        processors=[
            structlog.processors.add_log_level,
            structlog.processors.TimeStamper(fmt="iso", utc=True),
            structlog.processors.format_exc_info,
            renderer,
        ],
        wrapper_class=structlog.make_filtering_bound_logger(30 if quiet else 20),
        logger_factory=structlog.PrintLoggerFactory(sys.stderr),
        cache_logger_on_first_use=False,
    )
