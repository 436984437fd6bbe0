"""When a lab's open parcel is closed, and which jobs go into it together."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, time, timedelta
from zoneinfo import ZoneInfo

from platemark.ledger.read import JobRow
from platemark.model.lab import ClosingRule


@dataclass(frozen=True, slots=True)
class Group:
    """Jobs that go to a lab in one parcel."""

    jobs: tuple[JobRow, ...]


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
    return tuple(
        Group(tuple(together))
        for together in _together(rule, rows)
        if everything or _is_due(rule, together, now, zone)
    )


def last_closing(times: Iterable[time], now: datetime, zone: ZoneInfo) -> datetime | None:
    """The newest closing time that is past, in UTC.

    A time that a clock change skips or doubles counts once, as the zone's rules have it for the
    first of two.
    """
    today = now.astimezone(zone).date()
    moments = [
        datetime.combine(today - timedelta(days=back), at, tzinfo=zone).astimezone(UTC)
        for back in (0, 1)
        for at in times
    ]
    return max((moment for moment in moments if moment <= now), default=None)


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


def _is_due(rule: ClosingRule, rows: Sequence[JobRow], now: datetime, zone: ZoneInfo) -> bool:
    today = now.astimezone(zone).date().isoformat()
    if any(row.due is not None and row.due <= today for row in rows):
        return True
    if rule.kind == "each":
        return True
    # A clock that was ahead for a while must not keep a parcel back until then.
    moved = [min(datetime.fromisoformat(row.moved_at), now) for row in rows]
    if rule.kind == "quiet":
        return now - max(moved) >= timedelta(minutes=rule.quiet_minutes)
    closing = last_closing(rule.at, now, zone)
    return closing is not None and min(moved) <= closing
