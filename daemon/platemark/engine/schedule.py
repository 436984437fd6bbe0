"""What comes when: closings, upkeep, the digest, profiles' dates, the hours of preparing; pure.

Everything is in the studio's time zone, and every local date has each of its events once, whatever
the clocks do (`local_time`).
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from datetime import date, datetime, time, timedelta
from itertools import islice
from typing import Literal
from zoneinfo import ZoneInfo

from platemark.engine.local_time import (
    date_at,
    day_after,
    day_before,
    days_back,
    days_on,
    moment_of,
)
from platemark.engine.profile_dates import THRESHOLDS, stated_dates
from platemark.model.hours import DayTime, Window
from platemark.model.lab import ClosingRule
from platemark.model.studio import Settings

EventKind = Literal[
    "prepare-ends", "closing", "upkeep", "profile-date", "digest", "prepare-begins"
]  # fmt: skip
_ORDER: tuple[EventKind, ...] = (
    "prepare-ends", "closing", "upkeep", "profile-date", "digest", "prepare-begins",
)  # fmt: skip
_LOOKS_DAYS = 9
"""More than a week, so that everything that comes on one day of it is among them."""
HORIZON_DAYS = 400
"""So far ahead events are named."""


@dataclass(frozen=True, slots=True)
class Event:
    """One thing that comes."""

    at: datetime
    """In UTC."""
    kind: EventKind
    day: date
    """The local date that it counts for; where a clock change leaves its time out, it may come in
    the first moment of the next."""
    about: str
    """The lab's id, or the profile's file; empty for the others."""
    sentence: str
    """What happens, without a capital and a full stop."""


# -- closing ---------------------------------------------------------------------------------


def last_closing(times: Sequence[DayTime], now: datetime, zone: ZoneInfo) -> datetime | None:
    """The newest closing time that is past, in UTC; None where there are no times."""
    for day in islice(days_back(date_at(now, zone), zone), _LOOKS_DAYS):
        past = [moment for moment in _moments(times, day, zone) if moment <= now]
        if past:
            return max(past)
    return None


def next_closing(rule: ClosingRule, ready: datetime, zone: ZoneInfo) -> datetime:
    """When the parcel is closed of a print that is ready at a moment, if nothing else comes.

    Returns:
        A moment in UTC; for a rule without times it is counted from `ready`.
    """
    if rule.kind != "at":
        return ready + timedelta(minutes=rule.quiet_minutes)
    first = day_before(date_at(ready, zone), zone)
    for day in islice(days_on(first, zone), _LOOKS_DAYS + 1):
        coming = [moment for moment in _moments(rule.at, day, zone) if moment > ready]
        if coming:
            return min(coming)
    raise LookupError(rule)


def is_too_late(
    rule: ClosingRule, due: str | None, now: datetime, ready: datetime, zone: ZoneInfo
) -> bool:
    """Whether a print that is wanted by a date would miss it by waiting for its lab's closing.

    What is wanted today does not wait either: nothing that comes later today is promised.

    Args:
        rule: The lab's.
        due: The date, ISO; it lasts until its end.
        now: The moment.
        ready: When it can be made at the earliest if it waits for the hours of preparing.
        zone: The studio's.
    """
    if due is None:
        return False
    if due <= date_at(now, zone).isoformat():
        return True
    return due < date_at(next_closing(rule, ready, zone), zone).isoformat()


def _moments(times: Iterable[DayTime], day: date, zone: ZoneInfo) -> list[datetime]:
    return [moment_of(day, each.at, zone) for each in times if each.is_on(day)]


# -- the hours of preparing ------------------------------------------------------------------


def is_open(windows: Sequence[Window], now: datetime, zone: ZoneInfo) -> bool:
    """Whether print files are made at a moment; always where there are no windows."""
    if not windows:
        return True
    days = islice(days_back(date_at(now, zone), zone), 3)
    return any(begins <= now < ends for begins, ends in _spans(windows, days, zone))


def opens_next(windows: Sequence[Window], now: datetime, zone: ZoneInfo) -> datetime:
    """The next moment, from now on, at which print files are made; in UTC."""
    if is_open(windows, now, zone):
        return now
    days = islice(days_on(date_at(now, zone), zone), _LOOKS_DAYS)
    return min(begins for begins, _ in _spans(windows, days, zone) if begins > now)


def _spans(
    windows: Sequence[Window], days: Iterable[date], zone: ZoneInfo
) -> list[tuple[datetime, datetime]]:
    """Begin and end of the windows that begin on some dates, those that touch made one."""
    found = []
    for day in days:
        for window in windows:
            if window.begins_on(day):
                last = day if window.ends > window.begins else day_after(day, zone)
                begins = moment_of(day, window.begins, zone)
                found.append((begins, moment_of(last, window.ends, zone)))
    spans: list[tuple[datetime, datetime]] = []
    for begins, ends in sorted(found):
        if begins >= ends:
            # A clock that was put forward left all of it out.
            continue
        if spans and begins <= spans[-1][1]:
            spans[-1] = spans[-1][0], max(spans[-1][1], ends)
        else:
            spans.append((begins, ends))
    return spans


# -- everything that comes -------------------------------------------------------------------


def coming(settings: Settings, after: datetime) -> Iterator[Event]:
    """Every event after a moment, the next one first, as far as the horizon.

    Args:
        settings: The studio's.
        after: A moment with its zone.
    """
    zone = ZoneInfo(settings.studio.time_zone)
    today = date_at(after, zone)
    # What was due on the date before may come in the first moment of this one.
    for day in days_on(day_before(today, zone), zone):
        if day > today + timedelta(days=HORIZON_DAYS):
            return
        events = [*_on(settings, day, zone), *_edges(settings.studio.prepare, day, zone)]
        yield from (event for event in sorted(events, key=_order) if event.at > after)


def _order(event: Event) -> tuple[datetime, int, str]:
    return event.at, _ORDER.index(event.kind), event.about


def _on(settings: Settings, day: date, zone: ZoneInfo) -> Iterator[Event]:
    """What has a time of its own on a date."""
    studio = settings.studio
    for lab in settings.labs:
        for moment in _moments(lab.closing.at, day, zone):
            yield Event(moment, "closing", day, lab.id, f"the parcel for {lab.name} is closed")
    night = moment_of(day, studio.upkeep.at, zone)
    proved = "the record is proved, a part of the archive is read back"
    yield Event(night, "upkeep", day, "", proved)
    for stated in stated_dates(settings):
        left = (stated.valid_until - day).days
        if left in THRESHOLDS:
            days = "one day" if left == 1 else f"{left} days"
            reminder = f"{days} before the last day of {stated.file} ({stated.lab_name})"
            yield Event(night, "profile-date", day, stated.file, reminder)
    morning = moment_of(day, studio.morning.at, zone)
    yield Event(morning, "digest", day, "", "the digest is written")


def _edges(windows: Sequence[Window], day: date, zone: ZoneInfo) -> Iterator[Event]:
    """Where the hours of preparing begin and end on a date."""
    if not windows:
        return
    start, end = (moment_of(each, time.min, zone) for each in (day, day_after(day, zone)))
    around = [*islice(days_back(day, zone), 3), day_after(day, zone)]
    for begins, ends in _spans(windows, around, zone):
        if start <= begins < end:
            yield Event(begins, "prepare-begins", day, "", "print files are made from now on")
        if start <= ends < end:
            yield Event(ends, "prepare-ends", day, "", "no more print files are begun")
