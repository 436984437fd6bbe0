"""Derives from the entries which numbers of which editions were given, and what became of them."""

from __future__ import annotations

import sqlite3
from collections.abc import Callable
from typing import Any

from platemark.ledger.chain import Entry

TABLES = ("edition_numbers", "edition_terms", "edition_pictures")
"""What `follow` looks after."""
KEYS = {
    "edition_numbers": ("edition", "part", "kind", "number"),
    "edition_terms": ("edition",),
    "edition_pictures": ("edition", "original", "job"),
}
EDITION = "edition"
"""In entries: the edition that a print belongs to, with its numbers."""
SOLD, UNSOLD, VOID, DESTROYED = (
    "edition-sold", "edition-unsold", "edition-void", "edition-destroyed",
)  # fmt: skip
"""What people say became of a number."""


class GivenTwice(ValueError):
    """A number that somebody else has already; a bug of the caller. Nothing is recorded then."""


def follow(connection: sqlite3.Connection, entry: Entry) -> None:
    """Bring these tables up to one more entry, within the caller's transaction.

    Raises:
        GivenTwice: the entry gives a number that is not free.
    """
    if entry.job is not None and entry.body.get("state") == "withdrawn":
        _let_go(connection, entry, ("reserved", "printed"))
    handler = _HANDLERS.get(entry.kind)
    if handler is not None:
        handler(connection, entry)


def _examined(connection: sqlite3.Connection, entry: Entry) -> None:
    """Give a job the numbers that its entry says; those that it had and does not keep are free."""
    said: dict[str, Any] | None = entry.body.get(EDITION)
    # Numbers are of other jobs until this one lets go of what it does not keep.
    kept = _places(said) if said is not None else set()
    _let_go(connection, entry, ("reserved",), kept)
    if said is None:
        return
    _given_before(connection, entry, said)
    for place in sorted(kept):
        _take(connection, entry, place)
    connection.execute(
        "INSERT INTO edition_pictures (edition, original, job, likeness, seq)"
        " SELECT ?, original_sha256, job, ?, ? FROM jobs WHERE job = ?",
        (said["id"], said["likeness"], entry.seq, entry.job),
    )
    if kept:
        connection.execute(
            "INSERT INTO edition_terms (edition, seq) VALUES (?, ?)"
            " ON CONFLICT (edition) DO UPDATE SET seq = excluded.seq",
            (said["id"], entry.seq),
        )


Place = tuple[str, str, str, int]


def _places(said: dict[str, Any]) -> set[Place]:
    return {(said["id"], said["part"], said["kind"], number) for number in said["numbers"]}


def _let_go(
    connection: sqlite3.Connection,
    entry: Entry,
    states: tuple[str, ...],
    kept: set[Place] | None = None,
) -> None:
    """What a job has of editions and does not keep is as it was before the job."""
    connection.execute("DELETE FROM edition_pictures WHERE job = ?", (entry.job,))
    rows = connection.execute(
        "SELECT edition, part, kind, number, was, was_job FROM edition_numbers"
        f" WHERE job = ? AND state IN ({', '.join('?' for _ in states)})",
        (entry.job, *states),
    ).fetchall()
    for *place, was, was_job in rows:
        if kept is not None and tuple(place) in kept:
            continue
        if was == "free":
            connection.execute(
                "DELETE FROM edition_numbers"
                " WHERE edition = ? AND part = ? AND kind = ? AND number = ?",
                place,
            )
        else:
            connection.execute(
                "UPDATE edition_numbers SET state = ?, job = ?, was = 'free', was_job = NULL,"
                " seq = ? WHERE edition = ? AND part = ? AND kind = ? AND number = ?",
                (was, was_job, entry.seq, *place),
            )


def _given_before(connection: sqlite3.Connection, entry: Entry, said: dict[str, Any]) -> None:
    connection.executemany(
        "INSERT INTO edition_numbers (edition, part, kind, number, job, state, seq, was, was_job)"
        " VALUES (?, ?, ?, ?, NULL, ?, ?, 'free', NULL) ON CONFLICT DO NOTHING",
        [
            (said["id"], each["part"], each["kind"], each["number"], each["state"], entry.seq)
            for each in said["before"]
        ],
    )


def _take(connection: sqlite3.Connection, entry: Entry, place: Place) -> None:
    row = connection.execute(
        "SELECT state, job FROM edition_numbers"
        " WHERE edition = ? AND part = ? AND kind = ? AND number = ?",
        place,
    ).fetchone()
    state, job = row if row is not None else ("free", None)
    if state == "free":
        connection.execute(
            "INSERT INTO edition_numbers (edition, part, kind, number, job, state, seq, was,"
            " was_job) VALUES (?, ?, ?, ?, ?, 'reserved', ?, 'free', NULL)",
            (*place, entry.job, entry.seq),
        )
    elif state == "destroyed":
        connection.execute(
            "UPDATE edition_numbers SET state = 'reserved', job = ?, seq = ?, was = 'destroyed',"
            " was_job = ? WHERE edition = ? AND part = ? AND kind = ? AND number = ?",
            (entry.job, entry.seq, job, *place),
        )
    elif (state, job) != ("reserved", entry.job):
        edition, part, kind, number = place
        raise GivenTwice(f"{kind} {number} of {edition}{part and ' in '}{part} is {state}")


def _closed(connection: sqlite3.Connection, entry: Entry) -> None:
    connection.executemany(
        "UPDATE edition_numbers SET state = 'printed', seq = ? WHERE job = ?"
        " AND state = 'reserved'",
        [(entry.seq, job) for job in entry.body["jobs"]],
    )


def _read_back(connection: sqlite3.Connection, entry: Entry) -> None:
    """What a ticket says of a job whose entries are lost: its numbers may be with the lab."""
    said = entry.body.get(EDITION)
    if said is None or entry.body.get("state") == "withdrawn":
        return
    connection.executemany(
        "INSERT INTO edition_numbers (edition, part, kind, number, job, state, seq, was, was_job)"
        " VALUES (?, ?, ?, ?, ?, 'printed', ?, 'free', NULL)"
        " ON CONFLICT (edition, part, kind, number) DO UPDATE SET job = excluded.job,"
        " seq = excluded.seq WHERE state IN ('reserved', 'printed')",
        [(*place, entry.job, entry.seq) for place in sorted(_places(said))],
    )
    connection.execute(
        "INSERT INTO edition_pictures (edition, original, job, likeness, seq)"
        " VALUES (?, ?, ?, '', ?) ON CONFLICT DO NOTHING",
        (said["id"], entry.body["original"]["sha256"], entry.job, entry.seq),
    )


def _said(state: str) -> Callable[[sqlite3.Connection, Entry], None]:
    def change(connection: sqlite3.Connection, entry: Entry) -> None:
        body = entry.body
        connection.execute(
            "INSERT INTO edition_numbers (edition, part, kind, number, job, state, seq, was,"
            " was_job) VALUES (?, ?, ?, ?, NULL, ?, ?, 'free', NULL)"
            " ON CONFLICT (edition, part, kind, number) DO UPDATE SET state = excluded.state,"
            " seq = excluded.seq",
            (
                body["edition"], body["part"], body["of_kind"], body["number"], state, entry.seq,
            ),
        )  # fmt: skip
        if "terms" in body:
            # Of a number that was never printed here nothing else tells what was promised.
            connection.execute(
                "INSERT INTO edition_terms (edition, seq) VALUES (?, ?) ON CONFLICT DO NOTHING",
                (body["edition"], entry.seq),
            )

    return change


_HANDLERS: dict[str, Callable[[sqlite3.Connection, Entry], None]] = {
    DESTROYED: _said("destroyed"),
    SOLD: _said("sold"),
    UNSOLD: _said("printed"),
    VOID: _said("void"),
    "examined": _examined,
    "job-read-back": _read_back,
    "parcel-closed": _closed,
    "parcel-read-back": _closed,
}
