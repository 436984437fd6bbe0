"""Questions to the ledger. A reader never writes, keeps no cursor and takes pages."""

from __future__ import annotations

import json
import sqlite3
from collections.abc import Iterator
from contextlib import closing, contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Literal

from platemark.ledger.chain import FIRST_PREVIOUS, Entry, Fault, Link, first_fault, link_of
from platemark.model.errors import DiskFault, DiskFull, RecordDamaged, StudioMissing
from platemark.model.job import State
from platemark.model.ticket import Witness

PAGE = 1000

_ENTRY = "seq, at, job, kind, actor, body, previous, hash"
ERASED = "(erased)"


@dataclass(frozen=True, slots=True)
class JobRow:
    """One job as it stands now."""

    job: int
    state: State
    seq: int
    claimed_seq: int
    examined_seq: int | None
    held_seq: int | None
    rendered_seq: int | None
    surface: str
    lab: str | None
    order: str | None
    set: str | None
    purpose: str | None
    size: str | None
    copies: int | None
    due: str | None
    request_key: str | None
    original_name: str
    original_sha256: str
    print_sha256: str | None
    parcel: str | None
    moved_at: str
    moved_seq: int
    """The entry that brought the job to its state; an answer is bound to it."""


@dataclass(frozen=True, slots=True)
class DropRow:
    """Where a job's file was dropped, and whether it is still there."""

    job: int
    path_hex: str
    device: int
    inode: int
    size: int
    mtime_ns: int
    sha256: str
    sidecar_hex: str | None
    here: bool


@dataclass(frozen=True, slots=True)
class ParcelRow:
    """One parcel as it stands now."""

    name: str
    lab: str
    number: int
    state: str
    seq: int
    tagmanifest: str
    staging: str


@dataclass(frozen=True, slots=True)
class ProfileRow:
    """One profile that was tried for a product."""

    lab: str
    surface: str
    sha256: str
    seq: int
    state: str


@dataclass(frozen=True, slots=True)
class SettledRow:
    """What was settled last for a picture on a surface."""

    original: str
    surface: str
    seq: int
    version: int
    adjust: str | None
    """In words, as it was typed and tidied."""
    intent: Literal["perceptual", "relative"] | None


def connect_reader(path: Path) -> sqlite3.Connection:
    """Open a ledger for questions only.

    Raises:
        StudioMissing: there is no ledger yet.
    """
    if not path.exists():
        raise StudioMissing(
            f"{path.parent} has no record yet.", "Start it once with `platemark sweep` or `run`."
        )
    # `mode=ro` cannot play back a journal left by a crash, so the connection is made harmless
    # by a pragma instead.
    connection = sqlite3.connect(path, timeout=10, isolation_level=None)
    connection.execute("PRAGMA query_only = 1")
    return connection


class Reader:
    """Questions to an open ledger."""

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
        except sqlite3.DatabaseError as error:
            raise damage(error) from error

    def _all(self, query: str, *values: object) -> list[tuple[Any, ...]]:
        try:
            with closing(self._connection.execute(query, values)) as cursor:
                return cursor.fetchall()
        except sqlite3.DatabaseError as error:
            raise damage(error) from error

    def rows(self, table: str, columns: str, keys: str) -> list[tuple[Any, ...]]:
        """All rows of a derived table in the order of its keys; all arguments are words of ours.

        None where an older record lacks the table.
        """
        if not self._has(table):
            return []
        return self._all(f"SELECT {columns} FROM {table} ORDER BY {keys}")

    def newest_seq(self, table: str) -> int:
        """The newest entry that a derived table speaks of; 0 where it is empty or not there yet."""
        if not self._has(table):
            return 0
        return int(self._all(f"SELECT coalesce(max(seq), 0) FROM {table}")[0][0])

    def words(self) -> Iterator[tuple[str, bytes, str]]:
        """Personal words that were not erased, as digest, salt and text; by pages."""
        last = ""
        while True:
            page = self._all(
                "SELECT digest, salt, text FROM words WHERE digest > ? AND text IS NOT NULL"
                f" ORDER BY digest LIMIT {PAGE}",
                last,
            )
            for digest, salt, text in page:
                yield digest, bytes(salt), text
            if len(page) < PAGE:
                return
            last = page[-1][0]

    def first_mention(self, digest: str) -> int:
        """The first entry that refers to a personal word; 0 where none does."""
        rows = self._all(
            "SELECT seq FROM entries WHERE instr(body, ?) > 0 ORDER BY seq LIMIT 1", digest
        )
        return int(rows[0][0]) if rows else 0

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

    def body(self, seq: int | None) -> dict[str, Any]:
        """An entry's body with its personal words filled in; empty where there is none."""
        entry = self.entry(seq) if seq is not None else None
        return self.filled(entry.body) if entry is not None else {}

    def filled(self, value: Any) -> Any:
        """Put personal words back in where an entry refers to them."""
        if isinstance(value, dict):
            if set(value) == {"word"}:
                return self.word(value["word"])
            return {key: self.filled(item) for key, item in value.items()}
        if isinstance(value, list):
            return [self.filled(item) for item in value]
        return value

    def word(self, digest: str | None) -> str | None:
        """A personal word by its salted hash; `(erased)` where it was erased."""
        if digest is None:
            return None
        rows = self._all("SELECT text FROM words WHERE digest = ?", digest)
        return rows[0][0] if rows and rows[0][0] is not None else ERASED

    def jobs(
        self,
        *,
        state: str | None = None,
        order: str | None = None,
        parcel: str | None = None,
        original: str | None = None,
        name: str | None = None,
    ) -> list[JobRow]:
        """Jobs by number, those that fit everything asked."""
        query, values = "", []
        for column, value in (
            ("j.state", state), ("o.text", order), ("j.parcel", parcel),
            ("j.original_sha256", original), ("j.original_name", name),
        ):  # fmt: skip
            if value is not None:
                query += f" AND {column} = ?"
                values.append(value)
        return self._job_rows(query, values)

    def job(self, job: int) -> JobRow | None:
        """One job, or None."""
        rows = self._job_rows(" AND j.job = ?", [job])
        return rows[0] if rows else None

    def _job_rows(self, condition: str, values: list[Any]) -> list[JobRow]:
        found: list[JobRow] = []
        last = 0
        while True:
            rows = self._all(
                "SELECT j.job, j.state, j.seq, j.claimed_seq, j.examined_seq, j.held_seq,"
                " j.rendered_seq, j.surface, j.lab, j.order_word, o.text, j.set_word, s.text,"
                " j.purpose, j.size, j.copies, j.due, j.request_key, j.original_name,"
                " j.original_sha256, j.print_sha256, j.parcel, j.moved_at, j.moved_seq"
                " FROM jobs j LEFT JOIN words o ON o.digest = j.order_word"
                " LEFT JOIN words s ON s.digest = j.set_word"
                f" WHERE j.job > ?{condition} ORDER BY j.job LIMIT {PAGE}",
                last,
                *values,
            )
            for row in rows:
                order = (row[10] or ERASED) if row[9] else None
                of_set = (row[12] or ERASED) if row[11] else None
                fields: tuple[Any, ...] = (*row[:9], order, of_set, *row[13:])
                found.append(JobRow(*fields))
            if len(rows) < PAGE:
                return found
            last = rows[-1][0]

    def newest_job(self) -> int:
        """The highest job number given so far; 0 before the first."""
        return int(self._all("SELECT coalesce(max(job), 0) FROM jobs")[0][0])

    def drops(self, *, here: bool | None = None, path_hex: str | None = None) -> list[DropRow]:
        """Drops by job number."""
        query, values = "SELECT * FROM drops WHERE 1", []
        if here is not None:
            query += " AND here = ?"
            values.append(int(here))
        if path_hex is not None:
            query += " AND path_hex = ?"
            values.append(path_hex)  # type: ignore[arg-type]
        rows = self._all(f"{query} ORDER BY job", *values)
        return [_drop(row) for row in rows]

    def parcels(self, *, state: str | None = None, lab: str | None = None) -> list[ParcelRow]:
        """Parcels by lab and number."""
        query, values = "SELECT * FROM parcels WHERE 1", []
        for column, value in (("state", state), ("lab", lab)):
            if value is not None:
                query += f" AND {column} = ?"
                values.append(value)
        return [ParcelRow(*row) for row in self._all(f"{query} ORDER BY lab, number", *values)]

    def parcel(self, name: str) -> ParcelRow | None:
        """One parcel, or None."""
        rows = self._all("SELECT * FROM parcels WHERE name = ?", name)
        return ParcelRow(*rows[0]) if rows else None

    def newest_parcel_number(self, lab: str) -> int:
        """The highest number that a lab's parcel was given so far; 0 before the first."""
        return int(
            self._all("SELECT coalesce(max(number), 0) FROM parcels WHERE lab = ?", lab)[0][0]
        )

    def profiles(self) -> list[ProfileRow]:
        """Profiles that were tried, the newest word on each."""
        return [
            ProfileRow(*row)
            for row in self._all("SELECT * FROM profiles ORDER BY lab, surface, seq")
        ]

    def settled(self, original: str, surface: str) -> SettledRow | None:
        """What was settled last for a picture on a surface, or None where nothing ever was."""
        if not self._has("settled"):
            return None
        rows = self._all(
            "SELECT original, surface, seq, version, adjust, intent FROM settled"
            " WHERE original = ? AND surface = ?",
            original,
            surface,
        )
        return SettledRow(*rows[0]) if rows else None

    def _has(self, table: str) -> bool:
        """Whether a table is there: a reader may be the first newer program to open a record."""
        return bool(
            self._all("SELECT 1 FROM sqlite_master WHERE type = 'table' AND name = ?", table)
        )

    def decided(self, decision: str) -> Entry | None:
        """The entry that answered a decision, or None while it is unanswered."""
        rows = self._all("SELECT seq FROM decisions WHERE id = ?", decision)
        return self.entry(rows[0][0]) if rows else None

    def checkpoint(self) -> Witness:
        """The entry up to which the record was last proved at a start; seq 0 before the first."""
        rows = self._all("SELECT value FROM marks WHERE name = 'verified'")
        seq, _, digest = str(rows[0][0]).partition(":") if rows else ("0", "", "")
        return Witness(int(seq), digest)

    def attempts(self, job: int, step: str) -> int:
        """How often a step was begun for a job since it last succeeded."""
        rows = self._all("SELECT n FROM attempts WHERE job = ? AND step = ?", job, step)
        return int(rows[0][0]) if rows else 0

    def find_fault(self, since: Witness | None = None) -> Fault | None:
        """Follow the chain; None where it holds to the end.

        Args:
            since: Begin at this entry, which was proved before, and not at the first.
        """
        if since is None or not since.seq:
            return first_fault(self._links(0), FIRST_PREVIOUS, 1)
        before = list(self._links(since.seq - 2, upto=since.seq))
        if not before or before[-1].seq != since.seq:
            return Fault(
                since.seq,
                f"Entry {since.seq} is missing, although the record was proved up to it: it was "
                "shortened or replaced.",
            )
        if before[-1].hash.hex() != since.hash:
            return Fault(
                since.seq,
                f"Entry {since.seq} is not the one up to which the record was proved: it was "
                "rewritten.",
            )
        previous = before[0].hash if before[0].seq == since.seq - 1 else FIRST_PREVIOUS
        return first_fault(self._links(since.seq - 1), previous, since.seq)

    def _links(self, after: int, upto: int = 0) -> Iterator[Link]:
        query = f"SELECT {_ENTRY} FROM entries WHERE seq > ?{' AND seq <= ?' if upto else ''}"
        while True:
            values = (after, upto) if upto else (after,)
            page = self._all(f"{query} ORDER BY seq LIMIT {PAGE}", *values)
            for row in page:
                yield link_of(*row)
            if len(page) < PAGE:
                return
            after = page[-1][0]

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


def damage(error: sqlite3.DatabaseError) -> RecordDamaged | DiskFault | DiskFull:
    """Turn what SQLite says into a fault with a sentence and a hint."""
    if error.sqlite_errorcode == sqlite3.SQLITE_FULL:
        return DiskFull(
            "The disk has no room left for the record.",
            "Nothing is lost. Free some space; Platemark goes on by itself.",
        )
    if isinstance(error, sqlite3.OperationalError):
        return DiskFault(
            f"The record cannot be read or written just now: {error}.",
            "Nothing is lost. Check the disk and its rights, then start again.",
        )
    return RecordDamaged(
        f"The record ledger.sqlite3 is damaged: {error}.",
        "Nothing was changed. Keep the file, restore a backup beside it, and compare.",
    )


def _drop(row: tuple[Any, ...]) -> DropRow:
    fields: tuple[Any, ...] = (*row[:8], bool(row[8]))
    return DropRow(*fields)


def _entry(row: tuple[Any, ...]) -> Entry:
    try:
        body = json.loads(row[5])
    except (TypeError, ValueError, RecursionError):
        body = None
    if not isinstance(body, dict):
        raise RecordDamaged(
            f"The record ledger.sqlite3 is damaged: what entry {row[0]} says cannot be read.",
            "Nothing was changed. Keep the file, restore a backup beside it, and compare.",
        )
    return Entry(row[0], row[1], row[2], row[3], row[4], body, bytes(row[6]), bytes(row[7]))
