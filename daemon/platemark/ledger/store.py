"""The one writer of the ledger: DELETE journal, synchronous EXTRA, every step a transaction."""

from __future__ import annotations

import hashlib
import re
import secrets
import sqlite3
from collections.abc import Callable, Collection, Iterator
from contextlib import contextmanager
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from platemark import durable
from platemark.ledger import erasing, opening, projection
from platemark.ledger.chain import Entry, canonical_entry, hash_entry
from platemark.ledger.following import PAGE
from platemark.ledger.form import find_form_faults, sql, statements, wrong_length
from platemark.ledger.journal import refuse_unfit_journal
from platemark.ledger.migrations import FORM, form_of, migrate, refuse_formless, refuse_newer
from platemark.ledger.opening import SPOILT, damage
from platemark.ledger.proof import find_shortening
from platemark.ledger.read import Reader
from platemark.model.errors import RecordDamaged
from platemark.model.plain import canonical
from platemark.model.progress import Watch, unwatched
from platemark.model.ticket import Witness

_GUARD = re.compile(r"CREATE (TRIGGER|INDEX) (\w+)")


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

    def erase_words(self, digests: Collection[str]) -> None:
        """Erase personal words; entries that refer to them stay as they are."""
        erasing.erase(self._connection, digests)

    def forget_attempts(self, job: int, step: str) -> None:
        """A step succeeded or was given up: count from nothing again."""
        self._connection.execute("DELETE FROM attempts WHERE job = ? AND step = ?", (job, step))


class Ledger:
    """The open ledger of a studio, held by the one service or command that may write."""

    def __init__(self, path: Path, clock: Callable[[], datetime], *, to_mend: bool = False) -> None:
        """Open a record, or begin one where there is none and none was lost.

        Args:
            path: Its file.
            clock: The time of entries.
            to_mend: Its derived tables, indexes and guards may be wrong.

        Raises:
            RecordDamaged: it is gone, damaged, shortened, or has not the form that it must have.
            RecordLocked: another program keeps it locked.
            UsageError: it was written by a newer version.
        """
        self._path = path
        self._clock = clock
        fresh = opening.is_new(path)
        refuse_unfit_journal(path)
        self._connection = sqlite3.connect(path, timeout=opening.LOCK_WAIT_S, isolation_level=None)
        self.read = Reader(self._connection)
        try:
            self._make_or_check(to_mend=to_mend)
        except SPOILT as error:
            self._connection.close()
            raise damage(error) from error
        except BaseException:
            self._connection.close()
            raise
        if fresh:
            durable.sync_folder(path.parent)

    def close(self) -> None:
        """Close the file."""
        self._connection.close()

    def _make_or_check(self, *, to_mend: bool) -> None:
        connection = self._connection
        form = form_of(connection)
        refuse_newer(form)
        refuse_formless(connection, form)
        for pragma in (
            "journal_mode = DELETE",
            "synchronous = EXTRA",
            "trusted_schema = 0",
            "secure_delete = ON",
        ):
            connection.execute(f"PRAGMA {pragma}")
        if form == 0:
            self._make()
        elif form < FORM:
            self._refuse_fault(Witness(0, ""))
            migrate(connection, self._path, self._replay)
        if length := wrong_length(connection):
            raise RecordDamaged(
                f"The record ledger.sqlite3 is damaged: {length}.",
                "Nothing was changed. Keep the file as it is; put back a backup, or save what "
                "still holds with `platemark ledger rescue`.",
            )
        wrong = None if to_mend else next(find_form_faults(connection), None)
        if wrong is not None:
            raise RecordDamaged(wrong.sentence, "Nothing was changed, and the service stays off.")

    def _make(self) -> None:
        self._connection.execute("BEGIN IMMEDIATE")
        for statement in statements(sql("schema.sql")):
            self._connection.execute(statement)
        projection.empty(self._connection)
        self._connection.execute(f"PRAGMA user_version = {FORM}")
        with durable.step("commit", self._path):
            self._connection.execute("COMMIT")

    def _replay(self, connection: sqlite3.Connection, watch: Watch = unwatched) -> None:
        head = self.read.head().seq
        for entry in self.read.entries():
            projection.apply(connection, entry)
            if entry.seq % PAGE == 0 or entry.seq == head:
                watch("Making the tables", entry.seq, head)

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
        except SPOILT as error:
            raise damage(error, self._path) from error

    def begin_attempt(self, job: int, step: str) -> int:
        """Count one more start of a step, before it starts; gives the new count."""
        try:
            with durable.step("commit", self._path):
                rows = self._connection.execute(
                    "INSERT INTO attempts (job, step, n) VALUES (?, ?, 1)"
                    " ON CONFLICT (job, step) DO UPDATE SET n = n + 1 RETURNING n",
                    (job, step),
                ).fetchall()
        except SPOILT as error:
            raise damage(error, self._path) from error
        return int(rows[0][0])

    def verify_from_checkpoint(self) -> None:
        """Follow the chain from the last checkpoint to the end, and set the next one there.

        The checkpoint lies beside the chain and is no entry of it. It shortens a start; who doubts
        the record follows all of it (`platemark ledger verify`).

        Raises:
            RecordDamaged: it does not hold; names the entry.
        """
        known = self.read.checkpoint()
        self._refuse_fault(known)
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
        except SPOILT as error:
            raise damage(error) from error

    def forget_checkpoint(self) -> None:
        """Have the next start follow the whole chain."""
        try:
            with durable.step("commit", self._path):
                self._connection.execute("DELETE FROM marks WHERE name = 'verified'")
        except SPOILT as error:
            raise damage(error) from error

    def _refuse_fault(self, since: Witness) -> None:
        fault = find_shortening(self.read) if since.seq else None
        fault = fault or self.read.find_fault(since)
        if fault is not None:
            raise RecordDamaged(
                fault.sentence,
                "Nothing was changed. Keep ledger.sqlite3 as it is and compare it with a backup "
                "and with the witness on any ticket (`platemark ledger verify --against`); "
                "`platemark ledger rescue` saves what holds.",
            )

    def rebuild(self, watch: Watch = unwatched) -> None:
        """Make every derived table anew from the entries, all or nothing.

        Indexes and guards of the entries that are gone are put back with them.

        Args:
            watch: Told of how many entries they were made so far.
        """
        try:
            self._connection.execute("BEGIN IMMEDIATE")
            try:
                self._put_guards_back()
                projection.empty(self._connection)
                self._replay(self._connection, watch)
                with durable.step("commit", self._path):
                    self._connection.execute("COMMIT")
            except BaseException:
                if self._connection.in_transaction:
                    self._connection.execute("ROLLBACK")
                raise
        except SPOILT as error:
            raise damage(error) from error

    def _put_guards_back(self) -> None:
        for statement in statements(sql("schema.sql")):
            match = _GUARD.search(statement)
            if match is not None:
                self._connection.execute(f"DROP {match[1]} IF EXISTS {match[2]}")
                self._connection.execute(statement)
