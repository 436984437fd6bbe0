"""When a lab's open parcel is closed, and which jobs go into it together."""

from __future__ import annotations

from collections.abc import Callable, Collection, Iterable, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from zoneinfo import ZoneInfo

from platemark.engine.nights import LATE_AFTER
from platemark.engine.schedule import is_too_late, last_closing
from platemark.ledger.read import JobRow
from platemark.model.lab import ClosingRule, Lab


@dataclass(frozen=True, slots=True)
class Group:
    """Jobs that go to a lab in one parcel, and why now."""

    jobs: tuple[JobRow, ...]
    closing: datetime | None = None
    """The closing time that it is closed for, in UTC; None where it is for none."""
    late: bool = False
    """Whether that is more than an hour ago, as after a stop."""
    rush: bool = False
    """Whether it is closed because what is in it would come too late otherwise."""


def due_groups(
    rule: ClosingRule,
    rows: Sequence[JobRow],
    now: datetime,
    zone: ZoneInfo,
    *,
    everything: bool = False,
) -> tuple[Group, ...]:
    """The parcels to close now.

    Args:
        rule: The lab's closing rule.
        rows: Its rendered jobs.
        now: The moment, in UTC.
        zone: The studio's time zone.
        everything: Close whatever the rule says.
    """
    rush = find_rush(rows, lambda _: rule, now, now, zone)
    groups = []
    for together in map(tuple, _together(rule, rows)):
        closing = last_closing(rule.at, now, zone)
        if everything:
            groups.append(Group(together))
        elif _is_due(rule, together, now, closing):
            groups.append(
                Group(together, closing, closing is not None and now - closing > LATE_AFTER)
            )
        elif hurried := tuple(row for row in together if row.job in rush):
            groups.append(Group(hurried, rush=True))
    return tuple(groups)


def newest_closings(
    labs: Iterable[Lab], now: datetime, zone: ZoneInfo
) -> tuple[datetime | None, ...]:
    """Each lab's newest closing time that is past, in UTC; None where its rule has no times."""
    return tuple(last_closing(lab.closing.at, now, zone) for lab in labs)


def find_rush(
    rows: Iterable[JobRow],
    rule_of: Callable[[JobRow], ClosingRule | None],
    now: datetime,
    ready: datetime,
    zone: ZoneInfo,
) -> Collection[int]:
    """Jobs that would come too late if they waited; a set goes as one.

    Args:
        rows: Jobs whose plan is made, perhaps rendered.
        rule_of: The closing rule of a job's lab; None where the lab is gone.
        now: The moment, in UTC.
        ready: When what waits for the hours of preparing can be made at the earliest.
        zone: The studio's time zone.
    """
    rows = tuple(rows)
    hurried = [
        row
        for row in rows
        if row.due is not None
        and (rule := rule_of(row)) is not None
        and is_too_late(rule, row.due, now, ready, zone)
    ]
    if not hurried:
        return frozenset()
    sets = {_set_of(row) for row in hurried if row.set is not None}
    return frozenset(row.job for row in hurried) | {
        row.job for row in rows if row.set is not None and _set_of(row) in sets
    }


def _set_of(row: JobRow) -> tuple[str | None, str | None, str | None, str]:
    return row.order, row.set, row.lab, row.purpose or "final"


def _together(rule: ClosingRule, rows: Sequence[JobRow]) -> list[list[JobRow]]:
    groups: dict[tuple[str, ...], list[JobRow]] = {}
    for row in rows:
        key: tuple[str, ...] = (row.purpose or "final",)
        if rule.kind == "each" and row.set is not None:
            key = (*key, "set", row.order or "", row.set)
        elif rule.kind == "each":
            key = (*key, "job", str(row.job))
        elif rule.per_order:
            key = (*key, "order", row.order or "")
        groups.setdefault(key, []).append(row)
    return list(groups.values())


def _is_due(
    rule: ClosingRule, rows: Sequence[JobRow], now: datetime, closing: datetime | None
) -> bool:
    if rule.kind == "each":
        return True
    # A clock that was ahead for a while must not keep a parcel back until then.
    moved = [min(datetime.fromisoformat(row.moved_at), now) for row in rows]
    if rule.kind == "quiet":
        return now - max(moved) >= timedelta(minutes=rule.quiet_minutes)
    return closing is not None and min(moved) <= closing
