from datetime import UTC, datetime, time
from zoneinfo import ZoneInfo

import pytest

from platemark.engine.closing import due_groups
from platemark.engine.lifecycle import TRANSITIONS
from platemark.engine.schedule import last_closing
from platemark.ledger.read import JobRow
from platemark.model.hours import DayTime
from platemark.model.lab import ClosingRule

BERLIN = ZoneInfo("Europe/Berlin")


def row(job: int, moved: str, **changes: object) -> JobRow:
    values: dict[str, object] = {
        "job": job, "state": "rendered", "seq": 1, "claimed_seq": 1, "examined_seq": 1,
        "held_seq": None, "rendered_seq": 1, "surface": "smooth-rag", "lab": "brindlewick",
        "order": None, "set": None, "purpose": "final", "size": "A4", "copies": 1, "due": None,
        "request_key": "k", "original_name": "a.tif", "title": None, "original_sha256": "0" * 64,
        "print_sha256": "1" * 64, "parcel": None, "moved_at": moved, "moved_seq": 1, **changes,
    }  # fmt: skip
    return JobRow(**values)  # type: ignore[arg-type]


def at(text: str) -> datetime:
    return datetime.fromisoformat(text).replace(tzinfo=UTC)


def test_every_state_is_in_the_table_and_ends_are_ends() -> None:
    """The table knows every state; delivered and withdrawn lead nowhere."""
    assert set(TRANSITIONS) >= {state for targets in TRANSITIONS.values() for state in targets}
    assert TRANSITIONS["delivered"] == TRANSITIONS["withdrawn"] == ()


def test_nothing_reaches_a_parcel_but_through_rendering() -> None:
    """Only rendered jobs are parcelled, and only claimed ones are examined."""
    assert [s for s, to in TRANSITIONS.items() if "parcelled" in to] == ["rendered"]
    assert "rendered" not in TRANSITIONS["held"]
    assert TRANSITIONS["held"] == ("claimed", "withdrawn")


def test_quiet_waits_for_the_newest() -> None:
    """A quiet rule counts from the newest job."""
    rule = ClosingRule("quiet", 10, (), False)
    rows = [row(1, "2026-05-01T12:00:00.000Z"), row(2, "2026-05-01T12:08:00.000Z")]
    assert not due_groups(rule, rows, at("2026-05-01T12:17:59"), BERLIN)
    (group,) = due_groups(rule, rows, at("2026-05-01T12:18:00"), BERLIN)
    assert [r.job for r in group.jobs] == [1, 2]


def test_a_closing_time_takes_what_was_ready_before() -> None:
    """What was rendered after the closing time waits for the next."""
    rule = ClosingRule("at", 0, (DayTime(time(6, 15)),), False)
    before = row(1, "2026-05-01T04:00:00.000Z")  # 06:00 in Berlin
    after = row(2, "2026-05-01T04:30:00.000Z")
    assert not due_groups(rule, [before], at("2026-05-01T04:14:59"), BERLIN)
    assert due_groups(rule, [before], at("2026-05-01T04:15:00"), BERLIN)
    assert not due_groups(rule, [after], at("2026-05-01T04:31:00"), BERLIN)
    assert due_groups(rule, [after], at("2026-05-02T04:15:00"), BERLIN)


@pytest.mark.parametrize(
    ("zone", "closing", "now", "expected"),
    [
        # IANA time zone data: 02:30 happens twice in Berlin on 25 October 2026.
        ("Europe/Berlin", time(2, 30), "2026-10-25T00:30:00", "2026-10-25T00:30:00"),
        ("Europe/Berlin", time(2, 30), "2026-10-25T01:45:00", "2026-10-25T00:30:00"),
        # Midnight does not exist in Cairo on 24 April 2026; the day still has its closing.
        ("Africa/Cairo", time(0, 0), "2026-04-23T22:30:00", "2026-04-23T22:00:00"),
        # 01:30 in New York on 1 November 2026: the first of two counts, 05:30 UTC.
        ("America/New_York", time(1, 30), "2026-11-01T06:45:00", "2026-11-01T05:30:00"),
    ],
)
def test_clock_changes_neither_skip_nor_double(
    zone: str, closing: time, now: str, expected: str
) -> None:
    """A closing time that a clock change doubles or removes still counts exactly once."""
    assert last_closing([DayTime(closing)], at(now), ZoneInfo(zone)) == at(expected)


def test_one_closing_a_day_through_a_year() -> None:
    """In every zone tried a daily closing has 365 moments in 2026, each another."""
    for zone in ("Europe/Berlin", "America/New_York", "Africa/Cairo", "Pacific/Auckland"):
        moments = set()
        for hour in range(365 * 24):
            now = datetime.fromtimestamp(at("2026-01-02T00:00:00").timestamp() + hour * 3600, UTC)
            moments.add(last_closing([DayTime(time(0, 0))], now, ZoneInfo(zone)))
        assert len(moments) in (365, 366)


def test_due_closes_at_once_and_tests_go_apart() -> None:
    """A job that is due closes its parcel; tests never share one with finals."""
    rule = ClosingRule("quiet", 600, (), False)
    rows = [
        row(1, "2026-05-01T12:00:00.000Z", due="2026-05-01"),
        row(2, "2026-05-01T12:00:00.000Z", purpose="test"),
    ]
    (group,) = due_groups(rule, rows, at("2026-05-01T12:01:00"), BERLIN)
    assert [r.job for r in group.jobs] == [1]
    groups = due_groups(rule, rows, at("2026-05-01T12:01:00"), BERLIN, everything=True)
    assert [[r.job for r in group.jobs] for group in groups] == [[1], [2]]


def test_each_and_per_order() -> None:
    """`each` makes a parcel a job; per_order a parcel an order."""
    rows = [
        row(1, "2026-05-01T12:00:00.000Z", order="Alder"),
        row(2, "2026-05-01T12:00:00.000Z", order="Finch"),
        row(3, "2026-05-01T12:00:00.000Z", order="Alder"),
    ]
    each = due_groups(ClosingRule("each", 0, (), False), rows, at("2026-05-01T12:00:01"), BERLIN)
    assert [len(group.jobs) for group in each] == [1, 1, 1]
    orders = due_groups(ClosingRule("quiet", 1, (), True), rows, at("2026-05-01T12:05:00"), BERLIN)
    assert [[r.job for r in group.jobs] for group in orders] == [[1, 3], [2]]
