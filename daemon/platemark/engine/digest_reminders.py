"""What good prints rest on: the display, samples of surfaces, profiles, test prints, a backup.

A line with something to do next is a reminder; one without says that all is well.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from datetime import date, datetime, timedelta
from decimal import Decimal
from pathlib import Path
from zoneinfo import ZoneInfo

from platemark.engine.profile_dates import near_profiles
from platemark.ledger.keeping import Keeping
from platemark.ledger.mornings import Mornings
from platemark.ledger.read import Reader
from platemark.ledger.store import stamp
from platemark.model.job import job_number
from platemark.model.morning import DigestLine, Display
from platemark.model.studio import Settings

DIMMEST = Decimal(80)
"""Of a display's white, in cd/m2 (ISO 3664, as Green, Color Management, 2010, p. 197 gives it)."""
BRIGHTEST = Decimal(120)
"""Of one in a dim room: prints look dark beside a brighter one (common practice)."""
BRIGHTEST_D50 = Decimal(160)
"""Of one of D50 that stands beside prints under 500 lx (the same page: at least so much)."""
TRAVELS_DAYS = 3
"""A test print that was delivered to the lab is not back before (our own choice)."""


def reminders(reader: Reader, root: Path, settings: Settings, now: datetime) -> list[DigestLine]:
    """What a morning reminds of.

    Args:
        reader: The record.
        root: The studio.
        settings: The studio's.
        now: The moment, in UTC.
    """
    today = now.astimezone(ZoneInfo(settings.studio.time_zone)).date()
    return [
        *display_lines(settings.studio.display, today),
        *sample_lines(settings, today),
        *profile_lines(settings, today),
        *_test_lines(reader, settings, now),
        *_backup_lines(reader, settings, now),
    ]


def display_lines(display: Display | None, today: date) -> Iterator[DigestLine]:
    """How the display's calibration stands on a day."""
    if display is None:
        yield DigestLine(
            "Nothing says when your display was calibrated.",
            "Write the day, its white and luminance into studio.toml under [display].",
        )
        return
    days = (today - display.calibrated).days
    if days < 0:
        yield DigestLine(
            f"The display's calibration of {shown_day(display.calibrated)} is still to come.",
            "Correct [display] in studio.toml.",
        )
        return
    said = (
        f"The display was calibrated on {shown_day(display.calibrated)}, {_days(days)} ago, to "
        f"{display.white} and {_plain(display.luminance)} cd/m²"
    )
    if display.limit_days and days > display.limit_days:
        yield DigestLine(
            f"{said}: more than {_days(display.limit_days)}.",
            "Calibrate it, and write the day into studio.toml under [display].",
        )
    else:
        yield DigestLine(f"{said}.")
    yield from _luminance_lines(display)


def _luminance_lines(display: Display) -> Iterator[DigestLine]:
    is_d50 = re.match("D ?50|5000", display.white, re.IGNORECASE) is not None
    brightest = BRIGHTEST_D50 if is_d50 else BRIGHTEST
    if DIMMEST <= display.luminance <= brightest:
        return
    how = "dark" if display.luminance > brightest else "light"
    yield DigestLine(
        f"At {_plain(display.luminance)} cd/m² prints look too {how} beside the display.",
        f"Set it to {DIMMEST} to {brightest} cd/m² (common practice) and calibrate it anew.",
    )


def sample_lines(settings: Settings, today: date) -> Iterator[DigestLine]:
    """Surfaces that some lab prints on and whose sample is older than the studio's limit."""
    limit = settings.studio.morning.sample_days
    for surface in settings.surfaces:
        if not limit or surface.sample_seen is None or not settings.labs_offering(surface.id):
            continue
        if (today - surface.sample_seen).days > limit:
            yield DigestLine(
                f"The sample of {surface.name} was seen on {shown_day(surface.sample_seen)}, more "
                f"than {_days(limit)} ago.",
                f"Ask for a fresh one, and write the day into surfaces/{surface.id}.toml as "
                "sample_seen.",
            )


def profile_lines(settings: Settings, today: date) -> Iterator[DigestLine]:
    """Profiles whose date, as the lab stated it, is near or past."""
    for near in near_profiles(settings, today):
        yield DigestLine(f"{near.stated.file}: {near.sentence}", near.next)


def _test_lines(reader: Reader, settings: Settings, now: datetime) -> Iterator[DigestLine]:
    days = settings.studio.morning.tests_days
    if not days:
        return
    zone = ZoneInfo(settings.studio.time_zone)
    for test in Mornings(reader).unseen_tests(stamp(now - timedelta(days=days))):
        at = datetime.fromisoformat(test.delivered_at)
        if now - at >= timedelta(days=TRAVELS_DAYS):
            yield DigestLine(
                f"The test print of {test.name} on {test.surface} went to the lab on "
                f"{shown_day(at.astimezone(zone).date())} (job {job_number(test.job)}).",
                f"Look at it, then `platemark approve {test.job}`, with --adjust where it shall be "
                "printed otherwise; or test it anew.",
                test.job,
            )


def _backup_lines(reader: Reader, settings: Settings, now: datetime) -> Iterator[DigestLine]:
    limit = settings.studio.upkeep.backup_days
    last = Keeping(reader).newest("backed-up")
    made = datetime.fromisoformat(last.body["made"]) if last is not None else None
    if made is not None and now - made <= timedelta(days=limit):
        return
    said = (
        "No backup of the studio was ever made."
        if made is None
        else f"The last backup was made {_days((now - made).days)} ago."
    )
    yield DigestLine(said, "Make one: `platemark backup DEST`, on another disk than the studio's.")


def shown_day(day: date) -> str:
    """A day for people: `2 November 2026`."""
    return f"{day.day} {day:%B %Y}"


def _days(days: int) -> str:
    return "1 day" if days == 1 else f"{days} days"


def _plain(number: Decimal) -> str:
    return f"{number.normalize():f}"
