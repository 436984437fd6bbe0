"""Pictures that were claimed and may still be arriving: cut off and young, or with a hole in them.

Nothing is held for an end that is missing while its file is young; a hole must still be there after
a second settle time, for a copy that fills a file in blocks looks settled while it pauses.
"""

from __future__ import annotations

import os
from collections.abc import Callable
from dataclasses import dataclass

from platemark.engine.claim import holder_of, is_the_drop
from platemark.engine.lifecycle import move
from platemark.engine.workshop import Workshop, drop_path
from platemark.ledger.read import DropRow, JobRow
from platemark.model.job import Drop
from platemark.model.work import ProbeReport


@dataclass(frozen=True, slots=True)
class _Waiting:
    report: ProbeReport
    until: float | None
    """By the monotonic clock; None where the age of the file decides."""


class Growing:
    """Keeps such pictures claimed until they changed, or are old enough to be believed."""

    def __init__(
        self, workshop: Workshop, quiet_s: float, go_on: Callable[[JobRow, ProbeReport], None]
    ) -> None:
        """Wait for nothing yet.

        Args:
            workshop: The studio at work.
            quiet_s: The settle time.
            go_on: Takes a picture that is waited for no longer, with what was read.
        """
        self._workshop = workshop
        self._go_on = go_on
        self._quiet_s = quiet_s
        self._waiting: dict[int, _Waiting] = {}

    @property
    def jobs(self) -> tuple[int, ...]:
        """Those that are waited for."""
        return tuple(self._waiting)

    @property
    def cut_off(self) -> tuple[int, ...]:
        """Those of them that end too early."""
        return tuple(job for job, each in self._waiting.items() if each.until is None)

    @property
    def with_holes(self) -> int:
        """How many of them have a hole."""
        return len(self._waiting) - len(self.cut_off)

    def takes(self, row: JobRow, outcome: object) -> bool:
        """Whether a picture just read may still be arriving; then it is waited for."""
        drop = self._drop_here(row.job)
        if not isinstance(outcome, ProbeReport) or drop is None:
            return False
        now = self._workshop.clock.monotonic()
        if outcome.facts.truncated and self._is_young(drop):
            self._waiting[row.job] = _Waiting(outcome, None)
        elif outcome.facts.zero_run:
            self._waiting[row.job] = _Waiting(outcome, now + self._quiet_s)
        return row.job in self._waiting

    def watch(self) -> None:
        """Take anew what has changed, and go on with what is old enough."""
        # The first job of a drop lets it go, so it comes last.
        for job, each in sorted(self._waiting.items(), key=lambda item: -item[0]):
            row, drop = self._workshop.ledger.read.job(job), self._drop_here(job)
            if row is None or drop is None or row.state != "claimed":
                del self._waiting[job]
            elif self._changed(row, drop):
                del self._waiting[job]
                with self._workshop.ledger.transaction() as transaction:
                    body = {"why": "the file was still arriving; it is taken again as it is now"}
                    move(transaction, row, "withdrawn", "withdrawn", body)
                    transaction.append("let-go", {"outcome": "changed", "taken": ""}, job=job)
            elif not self._is_waited_for(each, drop):
                del self._waiting[job]
                self._go_on(row, each.report)

    def _is_waited_for(self, each: _Waiting, drop: DropRow) -> bool:
        if each.until is None:
            return self._is_young(drop)
        return self._workshop.clock.monotonic() < each.until

    def _is_young(self, drop: DropRow) -> bool:
        """Whether a file was written so recently that it may still be growing."""
        minutes = self._workshop.settings.studio.settle.truncated_wait_min
        age = self._workshop.clock.now().timestamp() - drop.mtime_ns / 1e9
        # A time to come is another computer's clock and says nothing of how young the file is.
        return 0 <= age < minutes * 60

    def _drop_here(self, job: int) -> DropRow | None:
        read = self._workshop.ledger.read
        row = read.job(job)
        holder = holder_of(read, row) if row is not None else job
        return next((drop for drop in read.drops(here=True) if drop.job == holder), None)

    def _changed(self, row: JobRow, drop: DropRow) -> bool:
        body = self._workshop.ledger.read.body(row.claimed_seq)
        try:
            found = os.lstat(drop_path(self._workshop, Drop(**body["drop"])))
        except OSError:
            return True
        return not is_the_drop(drop, found)
