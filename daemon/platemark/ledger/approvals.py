"""Questions to the record about tests: which prints belong together, and what was approved."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

from platemark.ledger.read import Reader

PART_OF, APPROVED_BY = "part-of", "approved-by"
APPROVED, TAKEN_BACK = "approved", "approval-taken-back"
"""Kinds of entries."""


@dataclass(frozen=True, slots=True)
class ApprovalRow:
    """The newest word on one test."""

    job: int
    """The test's first job."""
    seq: int
    original: str
    name: str
    surface: str
    lab: str
    state: str
    """`approved` or `taken-back`."""


class Approvals:
    """What the record says of tests and their approvals."""

    def __init__(self, reader: Reader) -> None:
        self._reader = reader

    def parts_of(self, first: int) -> tuple[int, ...]:
        """The other jobs of a test, by number; none of a job that is no test's first."""
        rows = self._reader.ask(
            "links", "SELECT job FROM links WHERE other = ? AND kind = ? ORDER BY job",
            first, PART_OF,
        )  # fmt: skip
        return tuple(int(row[0]) for row in rows)

    def first_of(self, job: int) -> int:
        """The first job of the test that a job is part of; the job itself where it is none."""
        rows = self._reader.ask(
            "links", "SELECT other FROM links WHERE job = ? AND kind = ?", job, PART_OF
        )
        return int(rows[0][0]) if rows else job

    def of_test(self, first: int) -> ApprovalRow | None:
        """The newest word on a test, or None while nobody approved it."""
        found = self._rows("job = ?", first)
        return found[0] if found else None

    def standing(self, original: str, names: Iterable[str]) -> list[ApprovalRow]:
        """Approvals that stand of a picture or of a file of its name, the newest first."""
        found = {row.job: row for row in self._rows("original = ?", original)}
        for name in names:
            found |= {row.job: row for row in self._rows("name = ?", name)}
        rows = [row for row in found.values() if row.state == "approved"]
        return sorted(rows, key=lambda row: -row.seq)

    def held_against(self, first: int) -> tuple[int, ...]:
        """Jobs whose finals were held against a test, by number."""
        rows = self._reader.ask(
            "links", "SELECT job FROM links WHERE other = ? AND kind = ? ORDER BY job",
            first, APPROVED_BY,
        )  # fmt: skip
        return tuple(int(row[0]) for row in rows)

    def _rows(self, condition: str, value: object) -> list[ApprovalRow]:
        rows = self._reader.ask(
            "approvals",
            "SELECT job, seq, original, name, surface, lab, state FROM approvals"
            f" WHERE {condition}",
            value,
        )
        return [ApprovalRow(*row) for row in rows]
