"""Which local date's run of something daily is due: one for each, whatever the clocks do."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import UTC, date, datetime, time, timedelta
from zoneinfo import ZoneInfo

from platemark.engine.local_time import day_before

LATE_AFTER = timedelta(hours=1)


@dataclass(frozen=True, slots=True)
class Due:
    """A local date whose run is to be done."""

    day: date
    late: bool
    missed: int
    """Dates before it that had none, because the service was stopped."""


def find_due(now: datetime, zone: ZoneInfo, at: time, first: datetime, newest: str) -> Due | None:
    """The date whose run is due, or None.

    Only the newest date counts: those before it that were missed are caught up by that one.

    Args:
        now: The moment.
        zone: The studio's.
        at: Its time of day; where the clock is put forward over it, the first moment after.
        first: When the record began; what was due before is nobody's.
        newest: The newest local date that had one, ISO; empty before the first.
    """
    local = now.astimezone(zone).replace(tzinfo=None)
    begun = first.astimezone(zone).replace(tzinfo=None)
    day = local.date() if local.time() >= at else day_before(local.date(), zone)
    if datetime.combine(day, at) < begun or day.isoformat() <= newest:
        return None
    if newest:
        before = date.fromisoformat(newest)
    else:
        before = begun.date() - timedelta(days=1 if begun.time() <= at else 0)
    missed = (day - before).days - 1
    # A time that comes twice counts from its second coming, and one that is left out from after it.
    due = max(datetime.combine(day, at, zone).replace(fold=f).astimezone(UTC) for f in (0, 1))
    return Due(day, missed > 0 or now - due > LATE_AFTER, missed)
