"""When a local time of a date comes, whatever the clocks of its zone do; pure.

A time that comes twice counts once, the first time. One that is left out counts once too, at the
first moment after the gap. A date that a zone left out whole has no times.
"""

from __future__ import annotations

from collections.abc import Iterator
from datetime import UTC, date, datetime, time, timedelta
from functools import lru_cache
from zoneinfo import ZoneInfo

_DAY = timedelta(days=1)


@lru_cache(maxsize=4096)
def moment_of(day: date, at: time, zone: ZoneInfo) -> datetime:
    """The moment of a local time, in UTC."""
    local = datetime.combine(day, at)
    moment = local.replace(tzinfo=zone).astimezone(UTC)
    if moment.astimezone(zone).replace(tzinfo=None) == local:
        return moment
    # Read with the offset from after the gap it lies before the gap's moment, and the other way
    # round; offsets change at whole seconds.
    low = int(local.replace(tzinfo=zone, fold=1).timestamp())
    high = int(local.replace(tzinfo=zone, fold=0).timestamp())
    after = _offset_at(high, zone)
    while high - low > 1:
        middle = (low + high) // 2
        if _offset_at(middle, zone) == after:
            high = middle
        else:
            low = middle
    return datetime.fromtimestamp(high, UTC)


def is_date(day: date, zone: ZoneInfo) -> bool:
    """Whether a zone has a date at all; Samoa had no 30 December 2011."""
    return moment_of(day, time.min, zone).astimezone(zone).date() == day


def date_at(moment: datetime, zone: ZoneInfo) -> date:
    """The local date of a moment."""
    return moment.astimezone(zone).date()


def days_on(day: date, zone: ZoneInfo) -> Iterator[date]:
    """A date and those that follow it, those left out that the zone has not."""
    while True:
        if is_date(day, zone):
            yield day
        day += _DAY


def days_back(day: date, zone: ZoneInfo) -> Iterator[date]:
    """A date and those before it, those left out that the zone has not."""
    while True:
        if is_date(day, zone):
            yield day
        day -= _DAY


def day_after(day: date, zone: ZoneInfo) -> date:
    """The date that follows one."""
    return next(days_on(day + _DAY, zone))


def day_before(day: date, zone: ZoneInfo) -> date:
    """The date that one follows."""
    return next(days_back(day - _DAY, zone))


def _offset_at(seconds: int, zone: ZoneInfo) -> timedelta | None:
    return datetime.fromtimestamp(seconds, zone).utcoffset()
