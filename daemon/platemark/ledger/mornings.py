"""Questions to the record for the morning digest."""

from __future__ import annotations

from collections.abc import Collection, Iterator
from dataclasses import dataclass

from platemark.ledger.chain import Entry
from platemark.ledger.keeping import Keeping
from platemark.ledger.read import Reader

WRITTEN, TOLD = "morning-written", "morning-told"
WHAT = "morning"
"""What the row of a local date is called beside those of the nights."""


@dataclass(frozen=True, slots=True)
class UnseenTest:
    """A test print that its lab was given, and of which nobody said anything since."""

    job: int
    name: str
    surface: str
    delivered_at: str


class Mornings:
    """What the record says of mornings, and of what a morning asks."""

    def __init__(self, reader: Reader) -> None:
        self._reader = reader

    def newest(self) -> Entry | None:
        """The entry of the newest digest, or None before the first."""
        night = Keeping(self._reader).night(WHAT)
        return self._reader.entry(night.seq) if night is not None else None

    def told(self, written: int) -> list[Entry]:
        """What became of sending the digest of an entry, oldest first."""
        return [
            entry
            for entry in self._reader.entries(written, kind=TOLD)
            if entry.body["of"] == written
        ]

    def since(self, seq: int, kinds: Collection[str]) -> Iterator[Entry]:
        """Entries of these kinds after one, oldest first."""
        return (entry for entry in self._reader.entries(seq) if entry.kind in kinds)

    def unseen_tests(self, since: str) -> list[UnseenTest]:
        """Test prints that were delivered since a moment and wait for an eye, the oldest first.

        One was looked at when somebody said so, when its picture was settled on that surface, or
        printed there for good. A test of several prints is told once, by its first.
        """
        rows = self._reader.ask(
            "jobs",
            "SELECT j.job, j.original_name, j.surface, j.moved_at FROM jobs j"
            " WHERE j.state = 'delivered' AND j.purpose = 'test' AND j.moved_at >= ?"
            " AND NOT EXISTS (SELECT 1 FROM recalls r WHERE r.job = j.job)"
            " AND NOT EXISTS (SELECT 1 FROM links l WHERE l.job = j.job AND l.kind = 'part-of')"
            " AND NOT EXISTS (SELECT 1 FROM approvals a WHERE a.job = j.job)"
            " AND NOT EXISTS (SELECT 1 FROM settled s WHERE s.original = j.original_sha256"
            " AND s.surface = j.surface AND s.seq > j.moved_seq)"
            " AND NOT EXISTS (SELECT 1 FROM jobs f WHERE f.original_sha256 = j.original_sha256"
            " AND f.surface = j.surface AND coalesce(f.purpose, 'final') <> 'test'"
            " AND f.claimed_seq > j.moved_seq)"
            " ORDER BY j.moved_at, j.job",
            since,
        )
        return [UnseenTest(*row) for row in rows]
