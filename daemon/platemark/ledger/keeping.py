"""Questions to the record about what is kept: the archive, what is damaged, what went, upkeep."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

from platemark.ledger.chain import Entry
from platemark.ledger.following import PAGE
from platemark.ledger.read import Reader

HELD_PARCELS = ("closed", "verified", "delivered", "doubtful")
"""States of parcels whose folder in `outgoing/` is ours to prove."""


@dataclass(frozen=True, slots=True)
class KeptFile:
    """One file of the archive, by content."""

    sha256: str
    extension: str
    kind: str
    """What it is for: `original`, `print`, `proof`, `profile`, `sheet` or `paper`; where it is for
    several, one of them."""

    @property
    def name(self) -> str:
        """Its name in the archive."""
        return f"{self.sha256}.{self.extension}"


@dataclass(frozen=True, slots=True)
class KeptRow:
    """What one job, or none, needs of a file of the archive."""

    kind: str
    job: int
    """0 where it is for no job."""
    sha256: str
    extension: str
    bytes: int | None
    seq: int
    state: str
    sent: bool


@dataclass(frozen=True, slots=True)
class Damage:
    """A file that was found to be damaged, or gone, and was not mended yet."""

    path: str
    """From the studio's folder."""
    seq: int
    expected: str
    found: str
    """The hash that it has; `missing` or `unreadable` where it has none."""


@dataclass(frozen=True, slots=True)
class Paper:
    """A ticket or a list of a parcel that left `outgoing/` by rule."""

    name: str
    sha256: str
    extension: str


@dataclass(frozen=True, slots=True)
class NightRow:
    """One date's upkeep."""

    local_date: str
    seq: int
    late: bool
    done: int
    """The entry that says that it was done; 0 where it was not yet, or never."""


class Keeping:
    """What the record says of what is kept."""

    def __init__(self, reader: Reader) -> None:
        self._reader = reader

    def files(self, after: str = "", upto: str = "~") -> Iterator[KeptFile]:
        """What the archive must have, in the order of its names, by pages.

        Args:
            after: Begin after that name.
            upto: End with that name; every name is before `~`.
        """
        while True:
            page = self._reader.ask(
                "kept",
                "SELECT sha256, extension, min(kind) FROM kept WHERE state = 'needed'"
                " AND (sha256, extension) > (?, ?) AND sha256 <= ?"
                f" GROUP BY sha256, extension ORDER BY sha256, extension LIMIT {PAGE}",
                *_parts(after),
                upto,
            )
            for row in page:
                yield KeptFile(*row)
            if len(page) < PAGE:
                return
            after = f"{page[-1][0]}.{page[-1][1]}"

    def needs(self, sha256: str, extension: str) -> bool:
        """Whether the archive must have that file."""
        rows = self._reader.ask(
            "kept",
            "SELECT 1 FROM kept WHERE sha256 = ? AND extension = ? AND state = 'needed' LIMIT 1",
            sha256,
            extension,
        )
        return bool(rows)

    def named(self, prefix: str) -> dict[str, tuple[str, str]]:
        """Every file that any entry ever put into the archive, by the beginning of its hash.

        Returns:
            Kind and state (`needed` before others) by name.
        """
        rows = self._reader.ask(
            "kept",
            "SELECT sha256, extension, kind, state FROM kept WHERE sha256 >= ? AND sha256 < ?"
            " ORDER BY CASE state WHEN 'needed' THEN 1 ELSE 0 END",
            prefix,
            f"{prefix}~",
        )
        return {f"{row[0]}.{row[1]}": (row[2], row[3]) for row in rows}

    def rows_of(self, sha256: str) -> list[KeptRow]:
        """What needs, or needed, content of that hash."""
        return self._kept("sha256 = ?", sha256)

    def lengths_of(self, sha256: str) -> set[int]:
        """Lengths in bytes that entries give for content of that hash; none where none does."""
        return {row.bytes for row in self.rows_of(sha256) if row.bytes is not None}

    def rows_of_job(self, job: int) -> list[KeptRow]:
        """What a job needs, or needed."""
        return self._kept("job = ?", job)

    def past(self, before_seq: int) -> list[KeptRow]:
        """What others took the place of before it was sent, and before an entry."""
        return self._kept("state = 'past' AND sent = 0 AND seq < ?", before_seq)

    def _kept(self, condition: str, *values: object) -> list[KeptRow]:
        rows = self._reader.ask(
            "kept",
            "SELECT kind, job, sha256, extension, bytes, seq, state, sent FROM kept"
            f" WHERE {condition} ORDER BY kind, job, sha256",
            *values,
        )
        return [_kept_row(row) for row in rows]

    def damages(self) -> list[Damage]:
        """Damages that are not mended, by path."""
        rows = self._reader.ask(
            "damages",
            "SELECT path, seq, expected, found FROM damages WHERE open = 1 ORDER BY path",
        )
        return [Damage(*row) for row in rows]

    def damage(self, path: str) -> Damage | None:
        """The damage of a file that is not mended, or None."""
        return next((each for each in self.damages() if each.path == path), None)

    def papers(self, parcel: str) -> list[Paper]:
        """Tickets and lists of a parcel that left `outgoing/` by rule; none while it is there."""
        rows = self._reader.ask(
            "papers",
            "SELECT name, sha256, extension FROM papers WHERE parcel = ? ORDER BY name",
            parcel,
        )
        return [Paper(*row) for row in rows]

    def cleared_parcels(self) -> set[str]:
        """Names of the parcels that left `outgoing/` by rule."""
        return {row[0] for row in self._reader.ask("papers", "SELECT DISTINCT parcel FROM papers")}

    def unfinished_removals(self) -> list[int]:
        """Entries that say what will be removed, where none says that it was."""
        rows = self._reader.ask("removals", "SELECT seq FROM removals WHERE done = 0 ORDER BY seq")
        return [int(row[0]) for row in rows]

    def removed_by(self, sha256: str) -> Entry | None:
        """The entry by whose rule content of that hash left the archive, or None."""
        rows = self._reader.ask(
            "kept",
            "SELECT seq FROM kept WHERE sha256 = ? AND state = 'removed' ORDER BY seq LIMIT 1",
            sha256,
        )
        return self._reader.entry(rows[0][0]) if rows else None

    def night(self, what: str, local_date: str = "") -> NightRow | None:
        """The upkeep of a date, or the newest; None where there was none."""
        query = "SELECT local_date, seq, late, done FROM upkeep WHERE what = ?"
        if local_date:
            rows = self._reader.ask("upkeep", f"{query} AND local_date = ?", what, local_date)
        else:
            rows = self._reader.ask("upkeep", f"{query} ORDER BY local_date DESC LIMIT 1", what)
        return NightRow(rows[0][0], rows[0][1], bool(rows[0][2]), rows[0][3]) if rows else None

    def newest(self, kind: str) -> Entry | None:
        """The newest entry of a kind, or None."""
        rows = self._reader.ask(
            "entries", "SELECT seq FROM entries WHERE kind = ? ORDER BY seq DESC LIMIT 1", kind
        )
        return self._reader.entry(rows[0][0]) if rows else None

    def seq_before(self, stamp: str) -> int:
        """The newest entry that was written before a moment; 0 where none was.

        Entries are in order of their writing; a clock that was set back makes this a near guess.
        """
        low, high = 0, self._reader.head().seq
        while low < high:
            middle = (low + high + 1) // 2
            entry = self._reader.entry(middle)
            if entry is not None and entry.at < stamp:
                low = middle
            else:
                high = middle - 1
        return low

    def restored_after(self, job: int) -> int:
        """The newest entry by which a copy of the record became the studio after a job was claimed.

        0 where there was none.
        """
        rows = self._reader.ask(
            "restored", "SELECT coalesce(max(seq), 0) FROM restored WHERE last_job >= ?", job
        )
        return int(rows[0][0]) if rows else 0

    def unplaced(self, sha256: str) -> int:
        """The entry that says that a file was archived before the record was lost; 0 for none."""
        rows = self._reader.ask("unplaced", "SELECT seq FROM unplaced WHERE sha256 = ?", sha256)
        return int(rows[0][0]) if rows else 0


def _kept_row(row: tuple[Any, ...]) -> KeptRow:
    fields: tuple[Any, ...] = (*row[:7], bool(row[7]))
    return KeptRow(*fields)


def _parts(name: str) -> tuple[str, str]:
    sha256, _, extension = name.partition(".")
    return sha256, extension
