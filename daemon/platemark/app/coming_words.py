"""What comes next, in words: for `doctor` and for the service's status line."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import datetime
from itertools import islice
from zoneinfo import ZoneInfo

from platemark.app.doctor_word import Word
from platemark.engine.hurry import find_waiting
from platemark.engine.schedule import Event, coming, is_open, opens_next
from platemark.ledger.read import JobRow, Reader
from platemark.model.lab import Lab
from platemark.model.studio import Settings

EVENTS = 10


def closing_words(settings: Settings) -> Iterator[Word]:
    """How each lab's parcels are closed, and when print files are made."""
    windows = settings.studio.prepare
    hours = f"in these hours: {', '.join(map(str, windows))}" if windows else "at any hour"
    yield Word("good", "preparing", f"print files are made {hours}")
    for lab in settings.labs:
        yield Word("good", f"closing for {lab.id}", _rule(lab))


def coming_words(settings: Settings, now: datetime) -> Iterator[Word]:
    """The next ten events, the next one first."""
    zone = ZoneInfo(settings.studio.time_zone)
    for event in islice(coming(settings, now), EVENTS):
        yield Word("good", "coming", f"{_when(event, zone)}: {event.sentence}")


def waiting_words(settings: Settings, reader: Reader, now: datetime) -> Iterator[Word]:
    """How many pictures wait for the hours of preparing, and what to do about one in a hurry."""
    rows = reader.jobs(state="examined")
    count = len(find_waiting(settings, rows, reader.jobs(state="rendered"), now))
    if count:
        waits = "1 checked picture waits" if count == 1 else f"{count} checked pictures wait"
        yield Word(
            "note", "preparing", f"{waits} until {_opening(settings, now)}",
            "One that is wanted sooner: put a file of its name, such as heron.tif.toml, where it "
            "was dropped, and in it the day, such as due = 2027-06-04.",
        )  # fmt: skip


def wait_words(settings: Settings, row: JobRow, now: datetime) -> str | None:
    """Until when one job waits for the hours of preparing; None where it does not."""
    if row.state != "examined" or not find_waiting(settings, [row], [], now):
        return None
    return f"until {_opening(settings, now)}, when print files are made"


def _opening(settings: Settings, now: datetime) -> str:
    zone = ZoneInfo(settings.studio.time_zone)
    return _moment(opens_next(settings.studio.prepare, now, zone).astimezone(zone))


def status_line(
    settings: Settings, now: datetime, counts: tuple[int, int, int], event: Event | None
) -> str:
    """What the service is at, in one line.

    Args:
        settings: The studio's.
        now: The moment.
        counts: Jobs in work, jobs that wait for the hours of preparing, held jobs.
        event: What comes next.
    """
    zone = ZoneInfo(settings.studio.time_zone)
    working, waiting, held = counts
    parts = [f"{working} in work"]
    if not is_open(settings.studio.prepare, now, zone):
        parts.append(f"{waiting} waiting for the hours of preparing")
    parts.append(f"{held} held")
    if event is not None:
        parts.append(f"next {_when(event, zone)}: {event.sentence}")
    return "; ".join(parts)


def _rule(lab: Lab) -> str:
    rule = lab.closing
    if rule.kind == "each":
        return "each print is a parcel of its own"
    if rule.kind == "quiet":
        return f"parcels close after {rule.quiet_minutes} quiet minutes"
    return f"parcels close at {', '.join(map(str, rule.at))}"


def _when(event: Event, zone: ZoneInfo) -> str:
    return _moment(event.at.astimezone(zone))


def _moment(local: datetime) -> str:
    return f"{local:%A} {local.day} {local:%B, %H:%M}"
