"""Questions to the ledger. A reader never writes, keeps no cursor and takes pages."""

from __future__ import annotations

import json
import sqlite3
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Literal

from platemark.ledger.chain import Entry
from platemark.ledger.following import PAGE, Chain
from platemark.ledger.migrations import refuse_other_form
from platemark.ledger.opening import SPOILT, connect_to_read, damage
from platemark.model.job import State

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
    title: str | None
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


@dataclass(frozen=True, slots=True)
class RecallRow:
    """One job that was called back."""

    job: int
    seq: int
    lab: str
    parcel: str
    """Where it was then."""
    how: Literal["taken-back", "notice"]
    """`taken-back`: the parcel had not left; `notice`: the lab is told."""
    notice: str | None
    """The parcel that tells the lab; None where there is none, or not yet."""


def connect_reader(path: Path) -> sqlite3.Connection:
    """Open a ledger for questions only.

    Raises:
        StudioMissing: there is no ledger yet.
        UsageError: it has the form of another version.
        RecordDamaged: it is damaged, gone, or empty.
    """
    connection = connect_to_read(path)
    try:
        refuse_other_form(connection)
    except SPOILT as error:
        connection.close()
        raise damage(error) from error
    except BaseException:
        connection.close()
        raise
    return connection


class Reader(Chain):
    """Questions to an open ledger: its entries, and the tables that are made from them."""

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

    def jobs_numbered(self, numbers: Iterable[int]) -> list[JobRow]:
        """Some jobs by number; numbers that were not given are left out."""
        wanted = json.dumps(sorted(numbers))
        return self._job_rows(" AND j.job IN (SELECT value FROM json_each(?))", [wanted])

    def _job_rows(self, condition: str, values: list[Any]) -> list[JobRow]:
        found: list[JobRow] = []
        last = 0
        while True:
            rows = self._all(
                "SELECT j.job, j.state, j.seq, j.claimed_seq, j.examined_seq, j.held_seq,"
                " j.rendered_seq, j.surface, j.lab, j.order_word, o.text, j.set_word, s.text,"
                " j.purpose, j.size, j.copies, j.due, j.request_key, j.original_name,"
                " j.title, j.original_sha256, j.print_sha256, j.parcel, j.moved_at, j.moved_seq"
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
        given = int(self._all("SELECT coalesce(max(job), 0) FROM jobs")[0][0])
        return max(given, self._not_again(""))

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

    def drop(self, job: int) -> DropRow | None:
        """The drop that a job was made of first, or None where it shares another's."""
        rows = self._all("SELECT * FROM drops WHERE job = ?", job)
        return _drop(rows[0]) if rows else None

    def jobs_touched(self, after: int) -> list[int]:
        """Jobs that entries after that one speak of, by number."""
        query = "SELECT DISTINCT job FROM entries WHERE seq > ? AND job IS NOT NULL ORDER BY job"
        return [int(row[0]) for row in self._all(query, after)]

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
        given = self._all("SELECT coalesce(max(number), 0) FROM parcels WHERE lab = ?", lab)
        return max(int(given[0][0]), self._not_again(lab))

    def _not_again(self, lab: str) -> int:
        """The highest number that a lost record may have given; of jobs where no lab is named."""
        if not self._has("numbers"):
            return 0
        rows = self._all("SELECT at_least FROM numbers WHERE lab = ?", lab)
        return int(rows[0][0]) if rows else 0

    def ask(self, table: str, query: str, *values: object) -> list[tuple[Any, ...]]:
        """Put a question of another module of this package; none where there is no such table."""
        return self._all(query, *values) if self._has(table) else []

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

    def recalls(self, *, job: int | None = None, lab: str | None = None) -> list[RecallRow]:
        """Jobs that were called back, by job."""
        if not self._has("recalls"):
            return []
        query, values = "SELECT job, seq, lab, parcel, how, notice FROM recalls WHERE 1", []
        for column, value in (("job", job), ("lab", lab)):
            if value is not None:
                query += f" AND {column} = ?"
                values.append(value)
        return [RecallRow(*row) for row in self._all(f"{query} ORDER BY job", *values)]

    def recall(self, job: int) -> RecallRow | None:
        """How a job was called back, or None where it was not."""
        return next(iter(self.recalls(job=job)), None)

    def _has(self, table: str) -> bool:
        """Whether a table is there: a reader may be the first newer program to open a record."""
        return bool(
            self._all("SELECT 1 FROM sqlite_master WHERE type = 'table' AND name = ?", table)
        )

    def decided(self, decision: str) -> Entry | None:
        """The entry that answered a decision, or None while it is unanswered."""
        rows = self._all("SELECT seq FROM decisions WHERE id = ?", decision)
        return self.entry(rows[0][0]) if rows else None

    def attempts(self, job: int, step: str) -> int:
        """How often a step was begun for a job since it last succeeded."""
        rows = self._all("SELECT n FROM attempts WHERE job = ? AND step = ?", job, step)
        return int(rows[0][0]) if rows else 0


def _drop(row: tuple[Any, ...]) -> DropRow:
    fields: tuple[Any, ...] = (*row[:8], bool(row[8]))
    return DropRow(*fields)
