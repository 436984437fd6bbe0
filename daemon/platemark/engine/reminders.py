"""Reminders of profiles' dates: once for each profile, date and threshold, on record."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date
from zoneinfo import ZoneInfo

import structlog

from platemark.engine.local_time import date_at
from platemark.engine.profile_dates import near_profiles
from platemark.engine.workshop import Workshop
from platemark.ledger.chain import Entry
from platemark.ledger.read import Reader
from platemark.model.notice import WaitingLine

REMINDED = "profile-date-near"
"""Kind of the entry."""


@dataclass(frozen=True, slots=True)
class Reminder:
    """One reminder that was given."""

    seq: int
    at: str
    """UTC, RFC 3339."""
    lab: str
    file: str
    valid_until: date
    threshold: int
    """30, 7 or 1 days."""
    days_left: int
    late: bool
    """Whether the service was stopped on its day, or the date was written too late for it."""


def told_reminders(reader: Reader, after: int = 0) -> tuple[Reminder, ...]:
    """Reminders that were given, the oldest first.

    Args:
        reader: The record.
        after: Only those after this entry.
    """
    return tuple(map(_reminder, reader.entries(after, kind=REMINDED)))


def remind(workshop: Workshop) -> None:
    """Record the reminders that are due today and were not given yet."""
    today = date_at(workshop.clock.now(), ZoneInfo(workshop.settings.studio.time_zone))
    told = {
        (each.lab, each.file, each.valid_until, each.threshold)
        for each in told_reminders(workshop.ledger.read)
    }
    for near in near_profiles(workshop.settings, today):
        stated, threshold = near.stated, near.threshold
        if threshold is None:
            continue
        if (stated.lab, stated.file, stated.valid_until, threshold) in told:
            continue
        with workshop.ledger.transaction() as transaction:
            transaction.append(
                REMINDED,
                {
                    "lab": stated.lab,
                    "file": stated.file,
                    "surfaces": list(stated.surfaces),
                    "valid_until": stated.valid_until.isoformat(),
                    "threshold": threshold,
                    "days_left": near.days_left,
                    "late": near.days_left < threshold,
                },
            )
        structlog.get_logger().info(
            REMINDED, lab=stated.lab, file=stated.file, days_left=near.days_left
        )


def reminder_lines(workshop: Workshop, today: date) -> list[WaitingLine]:
    """What WAITING.txt says of profiles whose date is near or past."""
    return [
        WaitingLine(None, near.stated.file, "profiles", near.sentence, near.next)
        for near in near_profiles(workshop.settings, today)
    ]


def _reminder(entry: Entry) -> Reminder:
    body = entry.body
    return Reminder(
        entry.seq, entry.at, body["lab"], body["file"], date.fromisoformat(body["valid_until"]),
        body["threshold"], body["days_left"], body["late"],
    )  # fmt: skip
