"""What is done once for each local date, on record: whether it is due, and that it was done."""

from __future__ import annotations

from datetime import datetime, time
from typing import Any
from zoneinfo import ZoneInfo

import structlog

from platemark.engine.nights import Due, find_due
from platemark.engine.workshop import Workshop
from platemark.ledger.keeping import Keeping


def due_now(workshop: Workshop, what: str, at: time, since: datetime) -> Due | None:
    """The local date whose run of something is due, or None; what was missed is caught up once.

    Args:
        workshop: The open studio.
        what: Its name in the record, such as `nightly`.
        at: Its time of day.
        since: When this service began to look, for a record that is still empty.
    """
    read = workshop.ledger.read
    begun = read.entry(1)
    newest = Keeping(read).night(what)
    return find_due(
        workshop.clock.now(),
        ZoneInfo(workshop.settings.studio.time_zone),
        at,
        datetime.fromisoformat(begun.at) if begun is not None else since,
        newest.local_date if newest is not None else "",
    )


def begin(workshop: Workshop, what: str, due: Due) -> str:
    """Record that a date's run is begun; gives the date. A date has one row, and never a second."""
    day = due.day.isoformat()
    with workshop.ledger.transaction() as transaction:
        transaction.append(
            "upkeep-begun",
            {"what": what, "local_date": day, "late": due.late, "missed": due.missed},
        )
    structlog.get_logger().info("upkeep-begun", what=what, date=day, late=due.late)
    return day


def end(workshop: Workshop, what: str, day: str, told: dict[str, Any]) -> None:
    """Record that a date's run is done, and what came of it."""
    with workshop.ledger.transaction() as transaction:
        transaction.append("upkeep-done", {"what": what, "local_date": day, **told})
    structlog.get_logger().info("upkeep-done", what=what, date=day, **told)
