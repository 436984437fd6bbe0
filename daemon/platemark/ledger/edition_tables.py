"""Derives from the entries which numbers of which editions were given, and what became of them."""

from __future__ import annotations

import sqlite3
from collections.abc import Callable

from platemark.ledger.chain import Entry

TABLES = ("edition_numbers", "edition_pictures")
"""What `follow` looks after."""
KEYS = {
    "edition_numbers": ("edition", "part", "kind", "number"),
    "edition_pictures": ("edition", "original"),
}


def follow(connection: sqlite3.Connection, entry: Entry) -> None:
    """Bring these tables up to one more entry, within the caller's transaction."""
    handler = _HANDLERS.get(entry.kind)
    if handler is not None:
        handler(connection, entry)


_HANDLERS: dict[str, Callable[[sqlite3.Connection, Entry], None]] = {}
