"""What comes when: held against a walk by the minute, and through whole years."""

from collections import Counter
from dataclasses import replace
from datetime import UTC, date, datetime, time, timedelta
from itertools import pairwise, takewhile
from pathlib import Path
from zoneinfo import ZoneInfo

import pytest

from platemark.engine.closing import due_groups, find_rush
from platemark.engine.local_time import is_date, moment_of
from platemark.engine.profile_dates import near_profiles
from platemark.engine.schedule import (
    Event,
    coming,
    is_open,
    is_too_late,
    last_closing,
    next_closing,
    opens_next,
)
from platemark.ledger.read import JobRow
from platemark.model.hours import DayTime
from platemark.model.lab import ClosingRule
from platemark.model.studio import Settings
from platemark.settings.hours import read_day_time, read_window
from platemark.settings.load import load_settings

CONFIG = Path(__file__).parents[2] / "config"
ZONES = ("Europe/London", "America/St_Johns", "Australia/Lord_Howe", "America/Nuuk")
LONDON = ZoneInfo("Europe/London")
WEEKDAYS = ClosingRule("at", 0, (read_day_time("Mon-Fri 06:15"),), False)


def utc(text: str) -> datetime:
    return datetime.fromisoformat(text).replace(tzinfo=UTC)


def studio_in(zone: str, *windows: str, closing: ClosingRule = WEEKDAYS) -> Settings:
    """The starter studio in another zone, with hours, and a closing rule for its second lab."""
    settings = load_settings(CONFIG)
    studio = replace(settings.studio, time_zone=zone, prepare=tuple(map(read_window, windows)))
    first, second = settings.labs
    return replace(settings, studio=studio, labs=(first, replace(second, closing=closing)))


def rendered(job: int, due: str | None = None, **more: object) -> JobRow:
    values: dict[str, object] = dict.fromkeys(JobRow.__slots__)
    values |= {
        "job": job, "state": "rendered", "lab": "tarnmoor", "purpose": "final", "due": due,
        "moved_at": "2026-06-05T12:00:00.000Z", **more,
    }  # fmt: skip
    return JobRow(**values)  # type: ignore[arg-type]


@pytest.mark.fault(41)
@pytest.mark.parametrize("zone", ZONES)
@pytest.mark.parametrize("at", [time(0, 0), time(1, 45), time(2, 10), time(23, 30)])
def test_a_local_time_comes_once_a_date(zone: str, at: time) -> None:
    """Against a walk minute by minute: the first minute of a date that shows the time or later."""
    place, years_first = ZoneInfo(zone), date(2026, 1, 1)
    days = [years_first + timedelta(days=n) for n in range(365)]
    offsets = [datetime.combine(day, time(12), place).utcoffset() for day in days]
    changes = [n for n in range(1, 364) if offsets[n] != offsets[n - 1]]
    assert len(changes) == 2
    for day in {days[n + k] for n in changes for k in (-2, -1, 0, 1)}:
        walk = datetime.combine(day - timedelta(days=1), time(12), UTC)
        while True:
            local = walk.astimezone(place).replace(tzinfo=None)
            if local >= datetime.combine(day, at):
                break
            walk += timedelta(minutes=1)
        assert moment_of(day, at, place) == walk, (zone, day)


def test_a_date_that_a_zone_left_out() -> None:
    """Samoa had no 30 December 2011 (IANA); nothing comes on it, and nothing twice after it."""
    apia = ZoneInfo("Pacific/Apia")
    assert not is_date(date(2011, 12, 30), apia)
    events = takewhile(
        lambda event: event.day < date(2012, 1, 2),
        coming(studio_in("Pacific/Apia"), utc("2011-12-28")),
    )
    days = [event.day for event in events if event.kind == "upkeep"]
    assert days == [date(2011, 12, 28), date(2011, 12, 29), date(2011, 12, 31), date(2012, 1, 1)]


@pytest.mark.fault(41)
@pytest.mark.parametrize("zone", ZONES)
def test_a_year_of_events(zone: str) -> None:
    """A year in four zones: each date's upkeep, digest and closing once, hours begun and ended."""
    settings = studio_in(zone, "22:00-06:00")
    place = ZoneInfo(zone)
    begin = moment_of(date(2026, 1, 1), time(0), place)
    end = moment_of(date(2027, 1, 1), time(0), place)
    events: list[Event] = list(
        takewhile(lambda event: event.at < end, coming(settings, begin - timedelta(seconds=1)))
    )
    assert [event.at for event in events] == sorted(event.at for event in events)
    of = {kind: [e for e in events if e.kind == kind] for kind in {e.kind for e in events}}
    year = {date(2026, 1, 1) + timedelta(days=n) for n in range(365)}
    for kind in ("upkeep", "digest", "prepare-begins", "prepare-ends"):
        assert Counter(e.day for e in of[kind]) == Counter(year), kind
    assert Counter(e.day for e in of["closing"]) == Counter(d for d in year if d.weekday() < 5)
    edges = [e for e in events if e.kind.startswith("prepare")]
    assert all(a.kind != b.kind for a, b in pairwise(edges))
    for event in edges:
        assert is_open(settings.studio.prepare, event.at, place) == (event.kind == "prepare-begins")


@pytest.mark.parametrize("zone", ["Europe/London", "Australia/Lord_Howe"])
def test_hours_against_the_wall_clock(zone: str) -> None:
    """Every ten minutes of a year, away from a change: open where the wall clock says so."""
    place, windows = (
        ZoneInfo(zone),
        [read_window("Fri 20:00-04:00"), read_window("Sat Sun 00:00-24:00")],
    )
    now = utc("2026-01-01T00:00")
    while now < utc("2027-01-01T00:00"):
        local = now.astimezone(place)
        near = (now - timedelta(hours=3)).astimezone(place).utcoffset() != (
            now + timedelta(hours=3)
        ).astimezone(place).utcoffset()
        hours = local.hour + local.minute / 60
        wanted = local.weekday() in (5, 6) or (local.weekday() == 4 and hours >= 20)
        assert near or is_open(windows, now, place) == wanted, local
        now += timedelta(minutes=10)
    assert opens_next(windows, utc("2026-06-01T12:00"), LONDON) == utc("2026-06-05T19:00")


def test_closings_on_days_of_the_week() -> None:
    """From Friday's closing on, the next is Monday's; the last one stands over the weekend."""
    saturday = utc("2026-06-06T12:00")
    assert last_closing(WEEKDAYS.at, saturday, LONDON) == utc("2026-06-05T05:15")
    assert next_closing(WEEKDAYS, saturday, LONDON) == utc("2026-06-08T05:15")


@pytest.mark.parametrize(
    ("due", "late"),
    [("2026-06-05", True), ("2026-06-07", True), ("2026-06-08", False), (None, False)],
)
def test_what_would_come_too_late(due: str | None, late: bool) -> None:
    """On a Friday noon with the next closing on Monday: the weekend does not wait, Monday does."""
    noon = utc("2026-06-05T11:00")
    assert is_too_late(WEEKDAYS, due, noon, noon, LONDON) == late


def test_hours_make_a_print_late_too() -> None:
    """A closing that comes before the hours of preparing is none for what is not made yet."""
    morning, ready = utc("2026-06-04T06:00"), utc("2026-06-05T21:00")
    assert not is_too_late(WEEKDAYS, "2026-06-05", morning, morning, LONDON)
    assert is_too_late(WEEKDAYS, "2026-06-05", morning, ready, LONDON)


def test_rush_goes_in_a_parcel_of_its_own_with_its_set() -> None:
    """What would be too late goes now, its set with it; the rest waits for the closing."""
    rows = [
        rendered(1), rendered(2, "2026-06-06", order="Alder", set="series"),
        rendered(3, order="Alder", set="series"),
    ]  # fmt: skip
    (group,) = due_groups(WEEKDAYS, rows, utc("2026-06-05T13:00"), LONDON)
    assert ([row.job for row in group.jobs], group.rush, group.late) == ([2, 3], True, False)
    (group,) = due_groups(WEEKDAYS, rows, utc("2026-06-08T05:15"), LONDON)
    assert ([row.job for row in group.jobs], group.rush, group.late) == ([1, 2, 3], False, False)
    (group,) = due_groups(WEEKDAYS, rows, utc("2026-06-08T09:00"), LONDON)
    assert group.late
    now = utc("2026-06-05T13:00")
    assert not find_rush(rows, lambda _: None, now, now, LONDON)


def test_profile_dates_are_named_ahead() -> None:
    """Thirty, seven and one days before the last day; near ones are told with what to do."""
    settings = studio_in("Europe/London")
    lab = settings.labs[0]
    rag = lab.products[0]
    assert rag.profile is not None
    stated = replace(rag, profile=replace(rag.profile, valid_until=date(2026, 6, 30)))
    lab = replace(lab, products=(stated, *lab.products[1:]))
    settings = replace(settings, labs=(lab, settings.labs[1]))
    days = [e.day for e in coming(settings, utc("2026-05-01")) if e.kind == "profile-date"]
    assert days == [date(2026, 5, 31), date(2026, 6, 23), date(2026, 6, 29)]
    assert near_profiles(settings, date(2026, 5, 30)) == ()
    asked = [near_profiles(settings, day)[0] for day in (date(2026, 6, 10), date(2026, 7, 1))]
    assert [each.threshold for each in asked] == [30, None]
    assert "20 days are left" in asked[0].sentence
    assert "which is past" in asked[1].sentence


@pytest.mark.parametrize(
    ("text", "days"),
    [
        ("06:15", "0123456"),
        ("Mon-Fri 06:15", "01234"),
        ("tue, thursday 6:15", "13"),
        ("Sat–Mon 06:15", "056"),
    ],
)
def test_days_are_read(text: str, days: str) -> None:
    """Short and long names, lists and ranges, over the week's end too."""
    assert read_day_time(text) == DayTime(time(6, 15), tuple(map(int, days)))
