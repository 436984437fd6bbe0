"""Which jobs wait for the hours of preparing, and which are begun before the others."""

from __future__ import annotations

from collections.abc import Collection, Iterable
from datetime import datetime
from zoneinfo import ZoneInfo

from platemark.engine.closing import find_rush
from platemark.engine.knowing import answers_of, asked, choose
from platemark.engine.roster import Roster
from platemark.engine.schedule import is_open, is_too_late, opens_next
from platemark.engine.workshop import Workshop
from platemark.ledger.read import JobRow
from platemark.model.request import Request
from platemark.model.studio import Settings


class Hurry:
    """Knows of one studio's jobs which are rush."""

    def __init__(self, workshop: Workshop, roster: Roster) -> None:
        self._workshop = workshop
        self._settings = workshop.settings
        self._roster = roster
        self.keeps_hours = False
        """Whether print files wait for their hours: `run` has them wait, a sweep does not."""
        self._waiting: tuple[object, frozenset[int]] = (None, frozenset())
        self._rush: tuple[object, frozenset[int]] = (None, frozenset())
        self._requests: dict[int, tuple[int, Request | None]] = {}
        """What is asked of claimed jobs, by job and the entry that asked it last."""

    @property
    def waiting(self) -> frozenset[int]:
        """Jobs whose print files wait for the hours of preparing; what is rush does not."""
        settings, now = self._settings, self._workshop.clock.now()
        rows, made = self._roster.jobs("examined"), self._roster.jobs("rendered")
        if not self.keeps_hours or not rows or not settings.studio.prepare:
            return frozenset()
        key = rows, made, _minute(now)
        if key != self._waiting[0]:
            self._waiting = key, find_waiting(settings, rows, made, now)
        return self._waiting[1]

    def in_order(self, rows: Iterable[JobRow]) -> list[JobRow]:
        """Jobs in the order in which they are begun: rush first, the others as they come."""
        rows = list(rows)
        if len(rows) < 2:
            return rows
        rush = self._all_rush()
        return sorted(rows, key=lambda row: row.job not in rush)

    def _all_rush(self) -> frozenset[int]:
        now, claimed = self._workshop.clock.now(), self._roster.jobs("claimed")
        key = (
            claimed, self._roster.jobs("examined"), self._roster.jobs("rendered"), _minute(now),
        )  # fmt: skip
        if key != self._rush[0]:
            told = {row.job: self._request(row) for row in claimed}
            self._requests = {row.job: (row.moved_seq, told[row.job]) for row in claimed}
            rush = {row.job for row in claimed if self._is_rush(row, told[row.job], now)}
            planned = (*key[1], *key[2])
            self._rush = key, frozenset(rush.union(_find_rush(self._settings, planned, now, now)))
        return self._rush[1]

    def _request(self, row: JobRow) -> Request | None:
        known = self._requests.get(row.job)
        if known is not None and known[0] == row.moved_seq:
            return known[1]
        read = self._workshop.ledger.read
        try:
            return asked(read, row, answers_of(read, row.job)).request
        except ValueError:
            # What cannot be read is told when it is examined.
            return None

    def _is_rush(self, row: JobRow, request: Request | None, now: datetime) -> bool:
        surface = self._settings.surface(row.surface)
        if request is None or request.due is None or surface is None:
            return False
        lab, _ = choose(self._settings, surface, request)
        if lab is None:
            return False
        zone = ZoneInfo(self._settings.studio.time_zone)
        return is_too_late(lab.closing, request.due.isoformat(), now, now, zone)


def find_waiting(
    settings: Settings, rows: Iterable[JobRow], made: Iterable[JobRow], now: datetime
) -> frozenset[int]:
    """Jobs that wait for the hours of preparing; what is rush does not, nor the rest of its set.

    Args:
        settings: The studio's.
        rows: Jobs whose print file is to be made.
        made: Jobs whose print file is made and in no parcel yet.
        now: The moment.
    """
    windows, zone = settings.studio.prepare, ZoneInfo(settings.studio.time_zone)
    if is_open(windows, now, zone):
        return frozenset()
    rows = tuple(rows)
    rush = _find_rush(settings, (*rows, *made), now, opens_next(windows, now, zone))
    return frozenset(row.job for row in rows if row.job not in rush)


def _find_rush(
    settings: Settings, rows: Iterable[JobRow], now: datetime, ready: datetime
) -> Collection[int]:
    closing = {lab.id: lab.closing for lab in settings.labs}
    zone = ZoneInfo(settings.studio.time_zone)
    return find_rush(rows, lambda row: closing.get(row.lab or ""), now, ready, zone)


def _minute(now: datetime) -> datetime:
    return now.replace(second=0, microsecond=0)
