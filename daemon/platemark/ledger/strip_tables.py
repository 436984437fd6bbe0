"""Derives from the entries which patch strips were read, and how far each had drifted."""

from __future__ import annotations

import sqlite3
from collections.abc import Callable

from platemark.ledger.chain import Entry

TABLES = ("strips",)
"""What `follow` looks after."""
KEYS = {"strips": ("seq",)}


def follow(connection: sqlite3.Connection, entry: Entry) -> None:
    """Bring these tables up to one more entry, within the caller's transaction."""
    handler = _HANDLERS.get(entry.kind)
    if handler is not None:
        handler(connection, entry)


_HANDLERS: dict[str, Callable[[sqlite3.Connection, Entry], None]] = {}
