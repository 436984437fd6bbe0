"""Which local date's upkeep is due, through whole years of clocks that are put forward and back."""

from collections import Counter
from datetime import UTC, date, datetime, time, timedelta
from zoneinfo import ZoneInfo

import pytest

from platemark.engine.nights import Due, find_due

# Rules of the IANA time zone database, by the tzdata package. Berlin: last Sundays of March and
# October at 01:00 UTC; New York: second Sunday of March, first of November, 02:00 local; Santiago
# and Cairo change at midnight, so that 00:00 itself is left out or comes twice; Lord Howe shifts by
# half an hour; Apia left out the whole of 30 December 2011.
ZONES = (
    "Europe/Berlin",
    "America/New_York",
    "America/Santiago",
    "Africa/Cairo",
    "Australia/Lord_Howe",
    "Pacific/Apia",
)
TIMES = (
    time(0, 0),
    time(2, 30),
    *(pytest.param(at, marks=pytest.mark.long) for at in (time(1, 30), time(3, 30), time(23, 59))),
)
STEP = timedelta(minutes=30)


def a_year(
    zone: ZoneInfo, at: time, year: int, is_down: "tuple[datetime, datetime] | None" = None
) -> list[tuple[datetime, Due]]:
    """What a service does that looks every half hour of a year, and is down for a while."""
    now = datetime(year, 1, 1, 12, tzinfo=UTC)
    first, newest, done = now, "", []
    while now < datetime(year + 1, 1, 1, 12, tzinfo=UTC):
        if is_down is None or not is_down[0] <= now < is_down[1]:
            due = find_due(now, zone, at, first, newest)
            if due is not None:
                done.append((now, due))
                newest = due.day.isoformat()
        now += STEP
    return done


def local_dates(zone: ZoneInfo, done: list[tuple[datetime, Due]]) -> list[date]:
    """Every date that there was in a zone from the first upkeep's to the last one's."""
    now, end = done[0][0] - timedelta(days=2), done[-1][0]
    dates = set()
    while now <= end:
        dates.add(now.astimezone(zone).date())
        now += timedelta(hours=1)
    return sorted(day for day in dates if done[0][1].day <= day <= done[-1][1].day)


@pytest.mark.fault(41)
@pytest.mark.parametrize("zone", ZONES)
@pytest.mark.parametrize("at", TIMES)
def test_each_local_date_of_a_year_has_its_upkeep_once(zone: str, at: time) -> None:
    """No date is left out or done twice, none is late, whatever the clocks do."""
    year = 2011 if zone == "Pacific/Apia" else 2026
    done = a_year(ZoneInfo(zone), at, year)
    days = [due.day for _, due in done]
    assert max(Counter(days).values()) == 1
    wanted = local_dates(ZoneInfo(zone), done)
    if zone == "Pacific/Apia":
        assert date(2011, 12, 30) not in wanted
    assert days == wanted
    assert len(days) >= 363
    assert [due for _, due in done if due.late] == [] or zone == "Pacific/Apia"


@pytest.mark.fault(42)
@pytest.mark.parametrize("zone", ["Europe/Berlin", "America/New_York"])
@pytest.mark.parametrize(("hours", "missed"), [(6, 0), (30, 0), (24 * 5 + 6, 5)])
def test_a_service_that_was_down_catches_up_once_and_late(
    zone: str, hours: int, missed: int
) -> None:
    """Down over one night, or over six: one upkeep when it runs again, called late."""
    place = ZoneInfo(zone)
    went = datetime(2026, 6, 10, 1, 0, tzinfo=place).astimezone(UTC)
    if hours == 30:
        went = datetime(2026, 6, 10, 4, 0, tzinfo=place).astimezone(UTC)
    came = went + timedelta(hours=hours)
    done = a_year(place, time(3, 30), 2026, (went, came))
    (caught_up,) = [(now, due) for now, due in done if due.late]
    assert came <= caught_up[0] < came + STEP
    assert caught_up[1].missed == missed
    assert max(Counter(due.day for _, due in done).values()) == 1


@pytest.mark.fault(42)
def test_down_over_the_change_of_the_clocks() -> None:
    """Down for six hours over the night in which 02:30 comes twice: one upkeep, late."""
    place = ZoneInfo("Europe/Berlin")
    went = datetime(2026, 10, 25, 0, 30, tzinfo=place).astimezone(UTC)
    done = a_year(place, time(2, 30), 2026, (went, went + timedelta(hours=6)))
    assert [due.day for _, due in done].count(date(2026, 10, 25)) == 1
    assert [due.day for _, due in done if due.late] == [date(2026, 10, 25)]


def test_a_new_record_owes_nothing() -> None:
    """What was due before the record began is nobody's, and the first night is not late."""
    place, at = ZoneInfo("Europe/Berlin"), time(3, 30)
    first = datetime(2026, 5, 1, 14, 0, tzinfo=place).astimezone(UTC)
    assert find_due(first + timedelta(hours=2), place, at, first, "") is None
    night = datetime(2026, 5, 2, 3, 31, tzinfo=place).astimezone(UTC)
    assert find_due(night, place, at, first, "") == Due(date(2026, 5, 2), False, 0)


def test_a_clock_set_back_makes_no_second_night() -> None:
    """A date that had its upkeep, or comes before one that had, is not due again."""
    place, at = ZoneInfo("Europe/Berlin"), time(3, 30)
    first = datetime(2026, 5, 1, tzinfo=UTC)
    now = datetime(2026, 5, 10, 12, tzinfo=UTC)
    assert find_due(now, place, at, first, "2026-05-10") is None
    assert find_due(now - timedelta(days=1), place, at, first, "2026-05-10") is None
