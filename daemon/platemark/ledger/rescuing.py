"""Saves what still holds of a damaged record; the damaged file is only read.

Nothing is hashed or chained anew: the longest beginning of the chain that holds is copied as it is.
What comes after it proves nothing any more, but it still tells which numbers were given and which
jobs were sent, and that is taken as a warning.
"""

from __future__ import annotations

import hashlib
import sqlite3
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from datetime import datetime
from pathlib import Path
from typing import Any

import msgspec

from platemark import durable
from platemark.ledger.following import PAGE
from platemark.ledger.journal import journal_of, refuse_unfit_journal
from platemark.ledger.opening import SPOILT, damage
from platemark.ledger.read import Reader
from platemark.ledger.store import Ledger
from platemark.model.errors import RecordDamaged

_ENTRY = ("seq", "at", "job", "kind", "actor", "body", "previous", "hash")
_TEXTS = ("at", "kind", "actor", "body")
_LARGEST = 2**53
_FURTHEST = 5_000_000
"""So many numbers of entries are tried, one by one, after the last that holds."""


@dataclass(slots=True)
class Remains:
    """What of a damaged record could still be read."""

    upto: int
    """The last entry that holds; 0 for none."""
    why: str
    """Why the next does not."""
    readable_after: int = 0
    """Entries after it that can be read and prove nothing."""
    unreadable: int = 0
    words: int = 0
    words_lost: int = 0
    newest_job: int = 0
    newest_parcels: dict[str, int] = field(default_factory=dict)
    """The highest number that anything in the file speaks of, by lab."""
    jobs: list[dict[str, Any]] = field(default_factory=list)
    """Rows of jobs that moved on after the last entry that holds."""
    parcels: list[dict[str, Any]] = field(default_factory=list)
    """Rows of parcels, the same."""


@contextmanager
def looking_at(path: Path, scratch: Path) -> Iterator[sqlite3.Connection]:
    """Open a damaged record without changing a byte of it or of what lies beside it.

    Args:
        path: The file.
        scratch: A folder for a copy, which is needed where a crash left a journal.

    Raises:
        RecordDamaged: it is no database any more.
    """
    source = path
    if journal_of(path).exists():
        try:
            refuse_unfit_journal(path)
        except RecordDamaged:
            pass  # another's journal; the file is looked at without it
        else:
            source = scratch / path.name
            for each, copy in ((path, source), (journal_of(path), journal_of(source))):
                durable.copy_out(each, copy)
    flag = "mode=rw" if source != path else "mode=ro&immutable=1"
    connection = sqlite3.connect(f"{source.resolve().as_uri()}?{flag}", uri=True)
    try:
        try:
            connection.execute("PRAGMA query_only = 1")
            connection.execute("SELECT 1 FROM sqlite_master LIMIT 1").fetchall()
        except SPOILT as error:
            raise nothing_left(path, "SQLite cannot open it") from error
        try:
            yield connection
        except SPOILT as error:
            raise damage(error) from error
    finally:
        connection.close()


def nothing_left(path: Path, why: str) -> RecordDamaged:
    """Say that not even the beginning of a record can be saved."""
    return RecordDamaged(
        f"Not one entry of {path.name} can be saved: {why.rstrip('.')}.",
        f"Nothing was changed, and no picture is lost. Keep the file under another name, such as "
        f"{path.stem}.damaged{path.suffix}; `platemark ledger read-back` then makes a new record "
        "from the studio's files.",
    )


def take_stock(connection: sqlite3.Connection) -> Remains:
    """Find how far the chain holds, and what is told by the rest."""
    reader = Reader(connection)
    fault = reader.find_fault()
    if fault is None:
        remains = Remains(reader.head().seq, "")
    else:
        remains = Remains(max(fault.seq - 1, 0), fault.sentence)
        _look_after(connection, remains)
    _look_at_tables(connection, remains)
    return remains


def copy_what_holds(
    connection: sqlite3.Connection, remains: Remains, target: Path, clock: Callable[[], datetime]
) -> Ledger:
    """Make a new record of the entries that hold, and of the words that fit them.

    Args:
        connection: To the damaged record.
        remains: What `take_stock` found.
        target: A file that must not exist yet; nothing that witnesses a record lies beside it.
        clock: The time of entries.

    Returns:
        The new record, open.
    """
    Ledger(target, clock).close()
    new = sqlite3.connect(target, isolation_level=None)
    try:
        new.execute("PRAGMA synchronous = EXTRA")
        new.execute("BEGIN IMMEDIATE")
        for page in _pages_that_hold(connection, remains.upto):
            new.executemany(
                "INSERT INTO entries (seq, at, job, kind, actor, body, previous, hash)"
                " VALUES (?, ?, ?, ?, ?, ?, ?, ?)",
                page,
            )
        for digest, salt, text in _words_that_fit(connection, remains):
            new.execute(
                "INSERT OR IGNORE INTO words (digest, salt, text) VALUES (?, ?, ?)",
                (digest, salt, text),
            )
        with durable.step("commit", target):
            new.execute("COMMIT")
    finally:
        new.close()
    ledger = Ledger(target, clock, to_mend=True)
    ledger.rebuild()
    return ledger


def _pages_that_hold(connection: sqlite3.Connection, upto: int) -> Iterator[list[list[Any]]]:
    columns = ", ".join(f"CAST({n} AS BLOB)" if n in _TEXTS else n for n in _ENTRY)
    after = 0
    while after < upto:
        rows = connection.execute(
            f"SELECT {columns} FROM entries WHERE seq > ? AND seq <= ? ORDER BY seq LIMIT {PAGE}",
            (after, upto),
        ).fetchall()
        yield [
            [
                value.decode("utf-8") if name in _TEXTS else value
                for name, value in zip(_ENTRY, row, strict=True)
            ]
            for row in rows
        ]
        after = rows[-1][0]


def _look_after(connection: sqlite3.Connection, remains: Remains) -> None:
    """Read what can be read after the chain's end, for the numbers that it speaks of."""
    for row in _rows(connection, "entries", "seq", ("kind", "job", "body"), remains):
        remains.readable_after += 1
        _seen_job(remains, row["job"])
        if row["kind"] in ("parcel-sealed", "record-restored"):
            _numbers_in(remains, row["kind"], row["body"])


def _numbers_in(remains: Remains, kind: str, text: object) -> None:
    try:
        body = msgspec.json.decode(text if isinstance(text, str | bytes) else b"")
        if kind == "parcel-sealed":
            _seen_parcel(remains, body["lab"], body["number"])
        elif kind == "record-restored":
            _seen_job(remains, body["last_number"])
            for lab, number in body["last_parcels"].items():
                _seen_parcel(remains, lab, number)
    except (msgspec.DecodeError, KeyError, TypeError, AttributeError):
        return


def _look_at_tables(connection: sqlite3.Connection, remains: Remains) -> None:
    """Read the derived tables: no hash covers them, so they are only ever taken as a warning."""
    columns = (
        "job", "state", "seq", "surface", "lab", "order_word", "set_word", "purpose", "size",
        "copies", "due", "request_key", "original_name", "original_sha256", "print_sha256",
        "parcel",
    )  # fmt: skip
    lost = Remains(0, "")
    for row in _rows(connection, "jobs", "job", columns[1:], lost):
        _seen_job(remains, row["job"])
        if isinstance(row["seq"], int) and row["seq"] > remains.upto:
            remains.jobs.append(row)
    names = ("rowid", "name", "lab", "number", "state", "seq", "tagmanifest")
    for row in _rows(connection, "parcels", "rowid", names[1:], lost):
        _seen_parcel(remains, row["lab"], row["number"])
        if isinstance(row["seq"], int) and row["seq"] > remains.upto:
            remains.parcels.append(row)
    for row in _rows(connection, "numbers", "rowid", ("lab", "at_least"), lost):
        if row["lab"] == "":
            _seen_job(remains, row["at_least"])
        else:
            _seen_parcel(remains, row["lab"], row["at_least"])


def _seen_job(remains: Remains, job: object) -> None:
    if isinstance(job, int) and 0 < job < _LARGEST:
        remains.newest_job = max(remains.newest_job, job)


def _seen_parcel(remains: Remains, lab: object, number: object) -> None:
    if isinstance(lab, str) and isinstance(number, int) and 0 < number < _LARGEST:
        remains.newest_parcels[lab] = max(remains.newest_parcels.get(lab, 0), number)


def _rows(
    connection: sqlite3.Connection,
    table: str,
    key: str,
    columns: tuple[str, ...],
    remains: Remains,
) -> Iterator[dict[str, Any]]:
    """Rows of a table by a whole-number key; those that cannot be read are counted.

    Where a page of it is damaged, every number up to the highest is asked for by itself.
    """
    after = remains.upto
    names = ", ".join((key, *columns))
    query = f"SELECT {names} FROM {table} WHERE {key} > ? ORDER BY {key} LIMIT {PAGE}"
    while True:
        try:
            rows = connection.execute(query, (after,)).fetchall()
        except SPOILT:
            yield from _one_by_one(connection, table, key, names, after, remains)
            return
        for row in rows:
            yield dict(zip((key, *columns), row, strict=True))
        if len(rows) < PAGE:
            return
        after = rows[-1][0]


def _one_by_one(
    connection: sqlite3.Connection, table: str, key: str, names: str, after: int, remains: Remains
) -> Iterator[dict[str, Any]]:
    last = _highest(connection, table, key)
    for number in range(after + 1, min(last, after + _FURTHEST) + 1):
        try:
            row = connection.execute(
                f"SELECT {names} FROM {table} WHERE {key} = ?", (number,)
            ).fetchone()
        except SPOILT:
            remains.unreadable += 1
            continue
        if row is not None:
            yield dict(zip(names.split(", "), row, strict=True))


def _highest(connection: sqlite3.Connection, table: str, key: str) -> int:
    """The highest key of a table: from its own end, or from an index that holds the keys too."""
    asked = [f"SELECT max({key}) FROM {table}"]
    if table == "entries":
        asked.append("SELECT max(seq) FROM entries INDEXED BY entries_of_kind WHERE +seq > 0")
        asked.append("SELECT max(seq) FROM jobs")
    for query in asked:
        try:
            found = connection.execute(query).fetchone()[0]
        except SPOILT:
            continue
        if isinstance(found, int):
            return found
    return 0


def _words_that_fit(
    connection: sqlite3.Connection, remains: Remains
) -> Iterator[tuple[str, bytes, str | None]]:
    lost = Remains(0, "")
    for row in _rows(connection, "words", "rowid", ("digest", "salt", "text"), lost):
        digest, salt, text = row["digest"], row["salt"], row["text"]
        fits = isinstance(digest, str) and isinstance(salt, bytes)
        if fits and isinstance(text, str):
            fits = hashlib.sha256(salt + text.encode("utf-8", "replace")).hexdigest() == digest
        # An erased word has nothing left to be held against its hash.
        if fits and (text is None or isinstance(text, str)):
            remains.words += 1
            yield digest, salt, text
        else:
            remains.words_lost += 1
    remains.words_lost += lost.unreadable
