"""Derives from the entries how prints hang together: tests, approvals, reprints, returns."""

from __future__ import annotations

import sqlite3
from collections.abc import Callable

from platemark.ledger.chain import Entry

TABLES = ("links", "approvals", "returns", "lab_answers")
"""What `follow` looks after."""
KEYS = {
    "links": ("job", "kind"),
    "approvals": ("job",),
    "returns": ("seq",),
    "lab_answers": ("job",),
}


def follow(connection: sqlite3.Connection, entry: Entry) -> None:
    """Bring these tables up to one more entry, within the caller's transaction.

    An entry about a job may name, under `links`, the jobs that it hangs together with: `other` and
    `kind` of each.
    """
    if entry.kind == "examined":
        # Planned anew, a final may be held against another test, or against none.
        connection.execute("DELETE FROM links WHERE job = ? AND kind = 'approved-by'", (entry.job,))
    for link in entry.body.get("links", ()):
        connection.execute(
            "INSERT INTO links (job, other, kind, seq) VALUES (?, ?, ?, ?)"
            " ON CONFLICT (job, kind) DO UPDATE SET other = excluded.other, seq = excluded.seq",
            (entry.job, link["other"], link["kind"], entry.seq),
        )
    handler = _HANDLERS.get(entry.kind)
    if handler is not None:
        handler(connection, entry)


def _approved(connection: sqlite3.Connection, entry: Entry) -> None:
    body = entry.body
    connection.execute(
        "INSERT INTO approvals (job, seq, original, name, surface, lab, state)"
        " VALUES (?, ?, ?, ?, ?, ?, 'approved') ON CONFLICT (job) DO UPDATE SET"
        " seq = excluded.seq, state = excluded.state",
        (
            entry.job, entry.seq, body["original"], body["name"], body["surface"], body["lab"],
        ),
    )  # fmt: skip


def _taken_back(connection: sqlite3.Connection, entry: Entry) -> None:
    connection.execute(
        "UPDATE approvals SET seq = ?, state = 'taken-back' WHERE job = ?", (entry.seq, entry.job)
    )


def _returned(connection: sqlite3.Connection, entry: Entry) -> None:
    connection.execute(
        "INSERT INTO returns (seq, job, passed) VALUES (?, ?, ?)",
        (entry.seq, entry.job, int(entry.body["passed"])),
    )


def _lab_answered(connection: sqlite3.Connection, entry: Entry) -> None:
    connection.execute(
        "INSERT INTO lab_answers (job, seq, says) VALUES (?, ?, ?) ON CONFLICT (job) DO UPDATE SET"
        " seq = excluded.seq, says = excluded.says",
        (entry.job, entry.seq, entry.body["says"]),
    )


_HANDLERS: dict[str, Callable[[sqlite3.Connection, Entry], None]] = {
    "approval-taken-back": _taken_back,
    "approved": _approved,
    "lab-answered": _lab_answered,
    "returned": _returned,
}
