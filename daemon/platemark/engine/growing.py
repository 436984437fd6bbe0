"""Pictures that were claimed and may still be arriving: cut off and young, or with a hole in them.

Nothing is held for an end that is missing while its file is young; a hole must still be there after
a second settle time, for a copy that fills a file in blocks looks settled while it pauses.
"""

from __future__ import annotations

import os
from collections.abc import Callable
from dataclasses import dataclass
from functools import partial
from typing import Literal

from platemark.engine import examine
from platemark.engine.claim import Ask, holder_of, is_the_drop
from platemark.engine.lifecycle import move
from platemark.engine.roster import Roster
from platemark.engine.workshop import Workshop
from platemark.intake.drop_files import is_there
from platemark.ledger.read import DropRow, JobRow
from platemark.model.work import ProbeReport


@dataclass(frozen=True, slots=True)
class _Waiting:
    report: ProbeReport
    until: float
    """By the monotonic clock, which no setting of the time of day moves."""
    is_cut_off: bool


class Growing:
    """Keeps such pictures claimed until they changed, or are old enough to be believed."""

    def __init__(
        self,
        workshop: Workshop,
        roster: Roster,
        ask: Ask,
        quiet_s: Callable[[str], float],
        go_on: Callable[[JobRow, ProbeReport], None],
    ) -> None:
        """Wait for nothing yet.

        Args:
            workshop: The studio at work.
            roster: What is on its way.
            ask: Has a hot folder touched.
            quiet_s: The settle time of a surface's hot folder.
            go_on: Takes a picture that is waited for no longer, with what was read.
        """
        self._workshop = workshop
        self._roster = roster
        self._ask = ask
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
        return tuple(job for job, each in self._waiting.items() if each.is_cut_off)

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
        if outcome.facts.truncated and (left_s := self._is_young_for(drop)) > 0:
            self._waiting[row.job] = _Waiting(outcome, now + left_s, is_cut_off=True)
        elif outcome.facts.zero_run:
            until = now + self._quiet_s(row.surface)
            self._waiting[row.job] = _Waiting(outcome, until, is_cut_off=False)
        if row.job not in self._waiting:
            return False
        # It was read as far as it goes: nothing is under way, and no start counts against it.
        with self._workshop.ledger.transaction() as transaction:
            transaction.forget_attempts(row.job, examine.STEP)
        return True

    async def watch(self) -> None:
        """Take anew what has changed, and go on with what is old enough.

        Raises:
            Silent: a hot folder does not answer.
        """
        # The first job of a drop lets it go, so it comes last.
        for job in sorted(self._waiting, reverse=True):
            row, drop = self._roster.job(job), self._drop_here(job)
            if row is None or drop is None or row.state != "claimed":
                del self._waiting[job]
                continue
            became = await self._ask(bytes.fromhex(drop.path_hex), partial(self._became, drop))
            each, now = self._waiting[job], self._roster.job(job)
            if now is None or now.moved_seq != row.moved_seq:
                continue  # somebody answered meanwhile: the next turn sees to it
            if became == "away":
                continue  # what is on a share that is not connected, nobody knows
            if became == "changed":
                del self._waiting[job]
                with self._workshop.ledger.transaction() as transaction:
                    body = {"why": "the file was still arriving; it is taken again as it is now"}
                    move(transaction, row, "withdrawn", "withdrawn", body)
                    transaction.append("let-go", {"outcome": "changed", "taken": ""}, job=job)
            elif self._workshop.clock.monotonic() >= each.until:
                del self._waiting[job]
                self._go_on(row, each.report)

    def _is_young_for(self, drop: DropRow) -> float:
        """Seconds for which a file may still be growing, for it was written so lately."""
        minutes = self._workshop.settings.studio.settle.truncated_wait_min
        age = self._workshop.clock.now().timestamp() - drop.mtime_ns / 1e9
        # A time to come is another computer's clock and says nothing of how young the file is.
        return minutes * 60 - age if age >= 0 else 0.0

    def _drop_here(self, job: int) -> DropRow | None:
        row = self._roster.job(job)
        holder = holder_of(self._workshop.ledger.read, row) if row is not None else job
        return self._roster.drop_of(holder)

    def _became(self, drop: DropRow) -> Literal["same", "changed", "away"]:
        hot, relative = self._workshop.folders.hot, os.fsdecode(bytes.fromhex(drop.path_hex))
        path, surface = hot / relative, hot / relative.split("/", 1)[0]
        try:
            return "same" if is_the_drop(drop, os.lstat(path)) else "changed"
        except OSError:
            return "changed" if is_there(surface, drop.device) else "away"
