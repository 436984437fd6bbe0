"""The entries themselves: read by pages, followed from hash to hash, proved."""

from __future__ import annotations

import sqlite3
from collections.abc import Callable, Iterator
from contextlib import closing, contextmanager
from typing import Any

import msgspec

from platemark.ledger.chain import FIRST_PREVIOUS, Entry, Fault, Row, described, first_fault
from platemark.ledger.form import find_file_faults, find_form_faults
from platemark.ledger.opening import SPOILT, damage
from platemark.model.errors import RecordDamaged
from platemark.model.ticket import Witness

PAGE = 1000

_ENTRY = "seq, at, job, kind, actor, body, previous, hash"
# The very bytes: what is no text any more must be found, not stumbled over.
_LINK = ", ".join(
    name if name in ("seq", "job") else f"CAST({name} AS BLOB)" for name in _ENTRY.split(", ")
)
_DECODE = msgspec.json.Decoder().decode


class Chain:
    """Questions to the entries of an open ledger. It keeps no cursor and takes pages."""

    def __init__(self, connection: sqlite3.Connection) -> None:
        self._connection = connection

    @contextmanager
    def standing_still(self) -> Iterator[None]:
        """See one state of the record in the whole block; a writer waits, so it must be short."""
        try:
            self._connection.execute("BEGIN")
            try:
                yield
            finally:
                self._connection.execute("COMMIT")
        except SPOILT as error:
            raise damage(error) from error

    def _all(self, query: str, *values: object) -> list[tuple[Any, ...]]:
        try:
            with closing(self._connection.execute(query, values)) as cursor:
                return cursor.fetchall()
        except SPOILT as error:
            raise damage(error) from error

    def head(self) -> Witness:
        """The newest entry; seq 0 and zeros in an empty ledger."""
        rows = self._all("SELECT seq, hash FROM entries ORDER BY seq DESC LIMIT 1")
        if not rows:
            return Witness(0, FIRST_PREVIOUS.hex())
        return Witness(rows[0][0], bytes(rows[0][1]).hex())

    def entries(
        self, after: int = 0, *, job: int | None = None, kind: str | None = None, upto: int = 0
    ) -> Iterator[Entry]:
        """Entries in order, by pages; `upto` 0 means to the end."""
        while True:
            query = f"SELECT {_ENTRY} FROM entries WHERE seq > ?"
            values: list[object] = [after]
            for column, value in (("job", job), ("kind", kind)):
                if value is not None:
                    query += f" AND {column} = ?"
                    values.append(value)
            if upto:
                query += " AND seq <= ?"
                values.append(upto)
            page = self._all(f"{query} ORDER BY seq LIMIT {PAGE}", *values)
            for row in page:
                yield _entry(row)
            if len(page) < PAGE:
                return
            after = page[-1][0]

    def entry(self, seq: int) -> Entry | None:
        """The entry of that number, or None."""
        rows = self._all(f"SELECT {_ENTRY} FROM entries WHERE seq = ?", seq)
        return _entry(rows[0]) if rows else None

    def checkpoint(self) -> Witness:
        """The entry up to which the record was last proved at a start; seq 0 before the first."""
        rows = self._all("SELECT value FROM marks WHERE name = 'verified'")
        seq, _, digest = str(rows[0][0]).partition(":") if rows else ("0", "", "")
        return Witness(int(seq), digest)

    def find_fault(
        self, since: Witness | None = None, watch: Callable[[int], None] | None = None
    ) -> Fault | None:
        """Follow the chain; None where it holds to the end.

        Args:
            since: Begin at this entry, which was proved before, and not at the first.
            watch: Told now and then which entry was followed to.
        """
        try:
            return self._follow(since, watch)
        except _Unreadable as place:
            kind, job = self._of_index(place.seq)
            text = described(place.seq, kind, job)
            return Fault(
                place.seq,
                f"{text[0].upper()}{text[1:]} cannot be read: the file is damaged there.",
                kind,
                job,
            )

    def _follow(self, since: Witness | None, watch: Callable[[int], None] | None) -> Fault | None:
        if since is None or not since.seq:
            return first_fault(self._links(0, watch=watch), FIRST_PREVIOUS, 1)
        before = list(self._links(since.seq - 2, upto=since.seq))
        if not before or before[-1][0] != since.seq:
            return Fault(
                since.seq,
                f"Entry {since.seq} is missing, although the record was proved up to it: it was "
                "shortened or replaced.",
            )
        if before[-1][7].hex() != since.hash:
            return Fault(
                since.seq,
                f"Entry {since.seq} is not the one up to which the record was proved: it was "
                "rewritten.",
            )
        previous = before[0][7] if before[0][0] == since.seq - 1 else FIRST_PREVIOUS
        return first_fault(self._links(since.seq - 1, watch=watch), previous, since.seq)

    def _links(
        self, after: int, upto: int = 0, watch: Callable[[int], None] | None = None
    ) -> Iterator[Row]:
        query = f"SELECT {_LINK} FROM entries WHERE seq > ?{' AND seq <= ?' if upto else ''}"
        while True:
            values = (after, upto) if upto else (after,)
            try:
                page = self._all(f"{query} ORDER BY seq LIMIT {PAGE}", *values)
            except RecordDamaged:
                yield from self._one_by_one(after)
                return
            yield from page
            if watch is not None and page:
                watch(page[-1][0])
            if len(page) < PAGE:
                return
            after = page[-1][0]

    def _one_by_one(self, after: int) -> Iterator[Row]:
        """The entries before the first that cannot be read, which ends it.

        Raises:
            _Unreadable: always; names that one.
        """
        while True:
            after += 1
            try:
                yield from self._all(f"SELECT {_LINK} FROM entries WHERE seq = ?", after)
            except RecordDamaged as error:
                raise _Unreadable(after) from error

    def _of_index(self, seq: int) -> tuple[str, int | None]:
        """Kind and job of an entry that cannot be read, where its indexes still tell them."""
        found: list[Any] = []
        for column in ("kind", "job"):
            query = f"SELECT {column} FROM entries INDEXED BY entries_of_{column} WHERE +seq = ?"
            try:
                rows = self._all(query, seq)
            except RecordDamaged:
                rows = []
            found.append(rows[0][0] if rows else None)
        return str(found[0] or ""), found[1]

    def find_file_faults(self) -> list[Fault]:
        """Whether SQLite finds its file sound, to the last page."""
        return list(find_file_faults(self._connection))

    def find_form_faults(self) -> list[Fault]:
        """Whether every table, index and guard is there as it must be, and no other."""
        try:
            return list(find_form_faults(self._connection))
        except SPOILT as error:
            raise damage(error) from error

    def find_witness_fault(self, witness: Witness) -> Fault | None:
        """Whether the record still holds what a ticket's witness says; None where it does."""
        entry = self.entry(witness.seq)
        if entry is None:
            return Fault(
                witness.seq,
                f"The ticket was written after entry {witness.seq}, but the record has no such "
                "entry: it was shortened or replaced.",
            )
        if entry.hash.hex() != witness.hash:
            return Fault(
                witness.seq,
                f"Entry {witness.seq} is not the one that the ticket names: the record was "
                "rewritten.",
            )
        return None


class _Unreadable(Exception):
    """An entry that SQLite cannot give any more."""

    def __init__(self, seq: int) -> None:
        super().__init__(seq)
        self.seq = seq


def _entry(row: tuple[Any, ...]) -> Entry:
    try:
        body = _DECODE(row[5])
    except (msgspec.DecodeError, TypeError, ValueError, RecursionError):
        body = None
    if not isinstance(body, dict):
        raise RecordDamaged(
            f"The record ledger.sqlite3 is damaged: what entry {row[0]} says cannot be read.",
            "Nothing was changed. Keep the file; put back a backup, or save what still holds with "
            "`platemark ledger rescue`.",
        )
    return Entry(row[0], row[1], row[2], row[3], row[4], body, bytes(row[6]), bytes(row[7]))
