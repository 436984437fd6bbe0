"""Questions to the record about patch strips that came back."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from platemark.ledger.chain import Entry
from platemark.ledger.read import Reader

READ, SETTLED = "strip-read", "strip-settled"
MOST = 200
"""Readings of one product that a trend looks back on."""
_COLUMNS = "seq, job, lab, surface, verdict, sha256, open"


@dataclass(frozen=True, slots=True)
class StripRow:
    """One reading."""

    seq: int
    job: int
    lab: str
    surface: str
    verdict: str
    sha256: str
    """Of the instrument's file."""
    is_open: bool
    """It is beyond its limits, and nobody has decided yet."""


@dataclass(frozen=True, slots=True)
class NamedReference:
    """A reading that stands as the reference because a person said or approved so."""

    since: int
    """The entry that made it one."""
    reading: int


class Strips:
    """What the record says of readings."""

    def __init__(self, reader: Reader) -> None:
        self._reader = reader

    def products(self) -> list[tuple[str, str]]:
        """Lab and surface of every product of which a strip was read."""
        query = "SELECT DISTINCT lab, surface FROM strips ORDER BY lab, surface"
        return [(row[0], row[1]) for row in self._reader.ask("strips", query)]

    def of_product(self, lab: str, surface: str) -> list[StripRow]:
        """Its newest readings, the oldest of them first."""
        rows = self._reader.ask(
            "strips",
            f"SELECT {_COLUMNS} FROM strips WHERE lab = ? AND surface = ?"
            f" ORDER BY seq DESC LIMIT {MOST}",
            lab,
            surface,
        )
        return [_row(row) for row in reversed(rows)]

    def of_job(self, job: int) -> list[StripRow]:
        """The readings of a job's strip, the oldest first."""
        query = f"SELECT {_COLUMNS} FROM strips WHERE job = ? ORDER BY seq"
        return [_row(row) for row in self._reader.ask("strips", query, job)]

    def of_file(self, sha256: str) -> StripRow | None:
        """The reading that a file of that content gave, or None."""
        query = f"SELECT {_COLUMNS} FROM strips WHERE sha256 = ? ORDER BY seq LIMIT 1"
        rows = self._reader.ask("strips", query, sha256)
        return _row(rows[0]) if rows else None

    def open_in(self, lab: str, surface: str) -> StripRow | None:
        """The newest reading of a product that is beyond its limits and undecided, or None."""
        rows = self._reader.ask(
            "strips",
            f"SELECT {_COLUMNS} FROM strips WHERE lab = ? AND surface = ? AND open = 1"
            " ORDER BY seq DESC LIMIT 1",
            lab,
            surface,
        )
        return _row(rows[0]) if rows else None

    def all_open(self) -> list[StripRow]:
        """The newest open reading of every product that has one."""
        found = (self.open_in(lab, surface) for lab, surface in self.products())
        return [row for row in found if row is not None]

    def newest_seq(self, lab: str, surface: str) -> int:
        """The newest reading of a product; 0 before the first."""
        query = "SELECT coalesce(max(seq), 0) FROM strips WHERE lab = ? AND surface = ?"
        rows = self._reader.ask("strips", query, lab, surface)
        return int(rows[0][0]) if rows else 0

    def named_references(self, lab: str, surface: str) -> list[NamedReference]:
        """Readings that a person made the reference, or that are of an approved test.

        The newest word first. Of a test, the readings of each of its prints count.
        """
        said = self._reader.ask(
            "strip_references",
            "SELECT seq, reading FROM strip_references WHERE lab = ? AND surface = ?",
            lab,
            surface,
        )
        approved = self._reader.ask(
            "approvals",
            "SELECT a.seq, s.seq FROM strips s JOIN approvals a ON a.state = 'approved' AND ("
            " a.job = s.job OR EXISTS (SELECT 1 FROM links l WHERE l.job = s.job"
            " AND l.kind = 'part-of' AND l.other = a.job))"
            " WHERE s.lab = ? AND s.surface = ?",
            lab,
            surface,
        )
        both = (NamedReference(*row) for row in (*said, *approved))
        return sorted(both, key=lambda named: (named.since, named.reading), reverse=True)

    def newest_word(self, lab: str, surface: str) -> Entry | None:
        """The newest entry about a product's strips, which has its chart; None before the first."""
        read = self.newest_seq(lab, surface)
        newest = self._reader.entry(read)
        for entry in self._reader.entries(read, kind=SETTLED):
            if (entry.body["lab"], entry.body["surface"]) == (lab, surface):
                newest = entry
        return newest


def _row(row: tuple[Any, ...]) -> StripRow:
    seq, job, lab, surface, verdict, sha256, is_open = row
    return StripRow(seq, job, lab, surface, verdict, sha256, bool(is_open))
