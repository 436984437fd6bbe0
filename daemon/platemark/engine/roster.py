"""What is on its way, kept in memory: a turn must not cost more the more jobs there are."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Literal

from platemark.ledger.read import DropRow, JobRow, Reader

Moving = Literal["claimed", "examined", "rendered", "held"]
MOVING: tuple[Moving, ...] = ("claimed", "examined", "rendered", "held")


class Roster:
    """Jobs that are not sent or withdrawn, and the drops that still lie in the hot folders.

    It follows the record's entries, so it is always what the record says. It must not be asked
    within a transaction: what is rolled back would stay in it.
    """

    def __init__(self, read: Reader) -> None:
        """Read all that is on its way."""
        self._read = read
        self._upto = -1
        self._jobs: dict[Moving, dict[int, JobRow]] = {}
        self._drops: dict[int, DropRow] = {}
        self._sorted: dict[Moving, tuple[JobRow, ...]] = {}
        self._here: tuple[DropRow, ...] | None = None

    def jobs(self, state: Moving) -> tuple[JobRow, ...]:
        """Jobs in a state, by number; the same value as before where none has changed."""
        self._catch_up()
        known = self._sorted.get(state)
        if known is None:
            jobs = self._jobs[state]
            known = self._sorted[state] = tuple(jobs[job] for job in sorted(jobs))
        return known

    def job(self, job: int) -> JobRow | None:
        """A job that is on its way, or None."""
        self._catch_up()
        return next((rows[job] for rows in self._jobs.values() if job in rows), None)

    def drops(self) -> tuple[DropRow, ...]:
        """Drops that lie in the hot folders, by job; the same value where nothing has changed."""
        self._catch_up()
        if self._here is None:
            self._here = tuple(self._drops[job] for job in sorted(self._drops))
        return self._here

    def drop_of(self, job: int) -> DropRow | None:
        """The drop of a job, while it lies in its hot folder."""
        self._catch_up()
        return self._drops.get(job)

    def _catch_up(self) -> None:
        head = self._read.head().seq
        if head == self._upto:
            return
        if self._upto < 0 or head < self._upto:
            self._read_all()
        else:
            self._follow(self._read.jobs_touched(self._upto))
        self._upto = head

    def _read_all(self) -> None:
        self._jobs = {
            state: {row.job: row for row in self._read.jobs(state=state)} for state in MOVING
        }
        self._drops = {drop.job: drop for drop in self._read.drops(here=True)}
        self._sorted, self._here = {}, None

    def _follow(self, touched: Iterable[int]) -> None:
        for job in touched:
            for state, rows in self._jobs.items():
                if rows.pop(job, None) is not None:
                    self._sorted.pop(state, None)
            row = self._read.job(job)
            if row is not None and row.state in MOVING:
                self._jobs[row.state][job] = row
                self._sorted.pop(row.state, None)
            drop = self._read.drop(job)
            here = drop if drop is not None and drop.here else None
            if here != self._drops.get(job):
                self._here = None
                self._drops.pop(job, None)
                if here is not None:
                    self._drops[job] = here
