"""The one writer of the ledger: DELETE journal, synchronous EXTRA, every step a transaction."""

from __future__ import annotations

import hashlib
import secrets
import sqlite3
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from platemark import durable
from platemark.ledger import projection
from platemark.ledger.chain import Entry, canonical_entry, hash_entry
from platemark.ledger.read import Reader, damage
from platemark.model.errors import RecordDamaged, UsageError
from platemark.model.plain import canonical

SCHEMA_VERSION = 1


def stamp(moment: datetime) -> str:
    """A moment as entries carry it: UTC, RFC 3339, milliseconds."""
    return (
        moment.astimezone(UTC).strftime("%Y-%m-%dT%H:%M:%S.") + f"{moment.microsecond // 1000:03d}Z"
    )


class Transaction:
    """Entries that become true together."""

    def __init__(self, connection: sqlite3.Connection, reader: Reader, at: str) -> None:
        self._connection = connection
        self._reader = reader
        self._at = at
        head = reader.head()
        self._seq, self._hash = head.seq, bytes.fromhex(head.hash)

    def append(
        self, kind: str, body: dict[str, Any], *, job: int | None = None, actor: str = "service"
    ) -> Entry:
        """Add an entry and bring the derived tables up to it.

        Args:
            kind: What happened, a participle.
            body: Plain data without floats; `v` is added.
            job: The job it belongs to.
            actor: `service`, or a person's name.
        """
        body = {"v": 1, **body}
        seq = self._seq + 1
        data = canonical_entry(seq, self._at, job, kind, actor, body)
        digest = hash_entry(self._hash, data)
        entry = Entry(seq, self._at, job, kind, actor, body, self._hash, digest)
        self._connection.execute(
            "INSERT INTO entries (seq, at, job, kind, actor, body, previous, hash)"
            " VALUES (?, ?, ?, ?, ?, ?, ?, ?)",
            (seq, self._at, job, kind, actor, canonical(body).decode(), self._hash, digest),
        )
        projection.apply(self._connection, entry)
        self._seq, self._hash = seq, digest
        return entry

    def moved_seq(self, job: int) -> int | None:
        """The entry of a job's last change of state, those of this transaction counted."""
        row = self._reader.job(job)
        return row.moved_seq if row is not None else None

    def word(self, text: str) -> dict[str, str]:
        """Keep a personal word beside the chain; gives what an entry holds in its place."""
        rows = self._connection.execute(
            "SELECT digest FROM words WHERE text = ?", (text,)
        ).fetchall()
        if rows:
            return {"word": rows[0][0]}
        salt = secrets.token_bytes(16)
        digest = hashlib.sha256(salt + text.encode("utf-8")).hexdigest()
        self._connection.execute(
            "INSERT INTO words (digest, salt, text) VALUES (?, ?, ?)", (digest, salt, text)
        )
        return {"word": digest}

    def forget_attempts(self, job: int, step: str) -> None:
        """A step succeeded or was given up: count from nothing again."""
        self._connection.execute("DELETE FROM attempts WHERE job = ? AND step = ?", (job, step))


class Ledger:
    """The open ledger of a studio, held by the one service or command that may write."""

    def __init__(self, path: Path, clock: Callable[[], datetime]) -> None:
        self._path = path
        self._clock = clock
        fresh = not path.exists()
        try:
            self._connection = sqlite3.connect(path, timeout=30, isolation_level=None)
            self._connection.execute("PRAGMA journal_mode = DELETE")
            self._connection.execute("PRAGMA synchronous = EXTRA")
            self._connection.execute("PRAGMA trusted_schema = 0")
            self._make_or_check()
        except sqlite3.DatabaseError as error:
            raise damage(error) from error
        if fresh:
            durable.sync_folder(path.parent)
        self.read = Reader(self._connection)

    def close(self) -> None:
        """Close the file."""
        self._connection.close()

    def _make_or_check(self) -> None:
        version = self._connection.execute("PRAGMA user_version").fetchone()[0]
        if version > SCHEMA_VERSION:
            raise UsageError(
                f"This studio's record was written by a newer Platemark (form {version}, this one "
                f"knows {SCHEMA_VERSION}).",
                "Install the newer version; nothing was changed.",
            )
        if version == SCHEMA_VERSION:
            projection.add_missing(self._connection)
            return
        self._connection.execute("BEGIN IMMEDIATE")
        # executescript would commit; triggers hold semicolons, so the script is cut by statement.
        for statement in _statements(projection.sql("schema.sql")):
            self._connection.execute(statement)
        projection.empty(self._connection)
        self._connection.execute(f"PRAGMA user_version = {SCHEMA_VERSION}")
        with durable.step("commit", self._path):
            self._connection.execute("COMMIT")

    @contextmanager
    def transaction(self) -> Iterator[Transaction]:
        """Everything appended in the block becomes true at its end, or nothing does."""
        try:
            self._connection.execute("BEGIN IMMEDIATE")
            try:
                yield Transaction(self._connection, self.read, stamp(self._clock()))
                with durable.step("commit", self._path):
                    self._connection.execute("COMMIT")
            except BaseException:
                if self._connection.in_transaction:
                    self._connection.execute("ROLLBACK")
                raise
        except sqlite3.DatabaseError as error:
            raise damage(error) from error

    def begin_attempt(self, job: int, step: str) -> int:
        """Count one more start of a step, before it starts; gives the new count."""
        try:
            with durable.step("commit", self._path):
                rows = self._connection.execute(
                    "INSERT INTO attempts (job, step, n) VALUES (?, ?, 1)"
                    " ON CONFLICT (job, step) DO UPDATE SET n = n + 1 RETURNING n",
                    (job, step),
                ).fetchall()
        except sqlite3.DatabaseError as error:
            raise damage(error) from error
        return int(rows[0][0])

    def verify_from_checkpoint(self) -> None:
        """Follow the chain from the last checkpoint to the end, and set the next one there.

        The checkpoint lies beside the chain and is no entry of it. It shortens a start; who doubts
        the record follows all of it (`platemark ledger verify`).

        Raises:
            RecordDamaged: it does not hold; names the entry.
        """
        known = self.read.checkpoint()
        fault = self.read.find_fault(known)
        if fault is not None:
            raise RecordDamaged(
                fault.sentence,
                "Nothing was changed. Keep ledger.sqlite3 as it is and compare it with a backup "
                "and with the witness on any ticket (`platemark ledger verify --against`).",
            )
        head = self.read.head()
        if head.seq == known.seq:
            return
        try:
            with durable.step("commit", self._path):
                self._connection.execute(
                    "INSERT INTO marks (name, value) VALUES ('verified', ?)"
                    " ON CONFLICT (name) DO UPDATE SET value = excluded.value",
                    (f"{head.seq}:{head.hash}",),
                )
        except sqlite3.DatabaseError as error:
            raise damage(error) from error

    def rebuild(self) -> None:
        """Make every derived table anew from the entries, all or nothing."""
        try:
            self._connection.execute("BEGIN IMMEDIATE")
            try:
                projection.empty(self._connection)
                for entry in self.read.entries():
                    projection.apply(self._connection, entry)
                with durable.step("commit", self._path):
                    self._connection.execute("COMMIT")
            except BaseException:
                if self._connection.in_transaction:
                    self._connection.execute("ROLLBACK")
                raise
        except sqlite3.DatabaseError as error:
            raise damage(error) from error


def _statements(script: str) -> Iterator[str]:
    pending = ""
    for line in script.splitlines(keepends=True):
        pending += line
        if sqlite3.complete_statement(pending):
            yield pending
            pending = ""
