"""Derives from the entries which patch strips were read, and how far each had drifted."""

from __future__ import annotations

import sqlite3
from collections.abc import Callable

from platemark.ledger.chain import Entry

TABLES = ("strips", "strip_references")
"""What `follow` looks after."""
KEYS = {"strips": ("seq",), "strip_references": ("seq",)}


def follow(connection: sqlite3.Connection, entry: Entry) -> None:
    """Bring these tables up to one more entry, within the caller's transaction."""
    handler = _HANDLERS.get(entry.kind)
    if handler is not None:
        handler(connection, entry)


def _read(connection: sqlite3.Connection, entry: Entry) -> None:
    body = entry.body
    connection.execute(
        "INSERT INTO strips (seq, job, lab, surface, verdict, sha256, open)"
        " VALUES (?, ?, ?, ?, ?, ?, ?)",
        (
            entry.seq, entry.job, body["lab"], body["surface"], body["verdict"],
            body["readings"]["sha256"], int(body["verdict"] == "beyond"),
        ),
    )  # fmt: skip


def _settled(connection: sqlite3.Connection, entry: Entry) -> None:
    body = entry.body
    connection.execute(
        "UPDATE strips SET open = 0 WHERE lab = ? AND surface = ? AND seq < ?",
        (body["lab"], body["surface"], entry.seq),
    )
    if body["reference"] is not None:
        connection.execute(
            "INSERT INTO strip_references (seq, lab, surface, reading) VALUES (?, ?, ?, ?)",
            (entry.seq, body["lab"], body["surface"], body["reference"]),
        )


_HANDLERS: dict[str, Callable[[sqlite3.Connection, Entry], None]] = {
    "strip-read": _read,
    "strip-settled": _settled,
}
