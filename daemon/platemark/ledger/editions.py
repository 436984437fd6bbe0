"""Questions to the record about numbered editions."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from platemark.ledger.chain import Entry
from platemark.ledger.read import Reader
from platemark.model.edition import Numbered

_NUMBERED = "SELECT part, kind, number, state, job, seq FROM edition_numbers"


@dataclass(frozen=True, slots=True)
class EditionPicture:
    """A picture that belongs to an edition."""

    edition: str
    original: str
    """SHA-256 of the file."""
    likeness: str
    """What another file of it is known by; empty where that was not looked for."""


class Editions:
    """What the record says of editions."""

    def __init__(self, reader: Reader) -> None:
        self._reader = reader

    def numbers(self, edition: str) -> list[Numbered]:
        """Every number of an edition that is given, in order."""
        return self._numbered(f"{_NUMBERED} WHERE edition = ? ORDER BY part, kind, number", edition)

    def of_job(self, job: int) -> list[tuple[str, Numbered]]:
        """The numbers that a job has now, each with its edition."""
        rows = self._reader.ask(
            "edition_numbers",
            "SELECT edition, part, kind, number, state, job, seq FROM edition_numbers"
            " WHERE job = ? ORDER BY edition, part, kind, number",
            job,
        )
        return [(edition, Numbered(*fields)) for edition, *fields in rows]

    def ids(self) -> list[str]:
        """Every edition of which a number was given."""
        rows = self._reader.ask(
            "edition_numbers", "SELECT DISTINCT edition FROM edition_numbers ORDER BY edition"
        )
        return [edition for (edition,) in rows]

    def terms_entry(self, edition: str) -> Entry | None:
        """The newest entry that gave a number; else the first that said what became of one."""
        rows = self._reader.ask(
            "edition_terms", "SELECT seq FROM edition_terms WHERE edition = ?", edition
        )
        return self._reader.entry(rows[0][0]) if rows else None

    def pictures(self) -> list[EditionPicture]:
        """Every picture that is of an edition; the same file once for each."""
        rows: list[tuple[Any, ...]] = self._reader.ask(
            "edition_pictures",
            "SELECT edition, original, max(likeness) FROM edition_pictures"
            " GROUP BY edition, original ORDER BY edition, original",
        )
        return [EditionPicture(*row) for row in rows]

    def remake_of(self, job: int) -> int | None:
        """The job whose spoilt print a job is made again for; None where it is for none."""
        rows = self._reader.ask(
            "links", "SELECT other FROM links WHERE job = ? AND kind = 'remake-of'", job
        )
        return int(rows[0][0]) if rows else None

    def passed(self, job: int) -> bool | None:
        """Whether a print that came back is as it should be; None where it did not come back."""
        rows = self._reader.ask(
            "returns", "SELECT passed FROM returns WHERE job = ? ORDER BY seq DESC LIMIT 1", job
        )
        return bool(rows[0][0]) if rows else None

    def newest_restored(self) -> Entry | None:
        """The newest entry by which an older state of the record became the studio's, if any."""
        rows = self._reader.ask("restored", "SELECT max(seq) FROM restored")
        return self._reader.entry(rows[0][0]) if rows and rows[0][0] is not None else None

    def _numbered(self, query: str, *values: object) -> list[Numbered]:
        return [Numbered(*row) for row in self._reader.ask("edition_numbers", query, *values)]
