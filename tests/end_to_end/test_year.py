"""A year of nights: the service's own parts in a real studio, by a clock that steps to each event.

Rules of the IANA time zone database, by the tzdata package. Berlin: on 28 March 2027 the hour from
02:00 is left out, on 31 October it comes twice. Lord Howe, in the south and by half an hour only:
on 4 April 2027 01:30 to 02:00 comes twice, on 3 October 02:00 to 02:30 is left out.
"""

import time as system_time
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from datetime import UTC, date, datetime, time, timedelta
from itertools import count, pairwise, takewhile
from pathlib import Path
from zoneinfo import ZoneInfo

import pytest
import tifffile
from at_night import Later, entries, opened
from at_work import ask_here
from harness import LAB, LAB_FILE, SURFACE, make_studio, picture

from platemark.app.open_studio import OpenStudio
from platemark.engine.schedule import coming
from platemark.imaging.icc import build_matrix_profile

DAY = timedelta(days=1)


Span = tuple[date, date]
"""From noon to noon."""


@dataclass
class Place:
    """A zone, and times of day of which one is left out there and one comes twice."""

    zone: str
    upkeep: str
    closing: str
    """On Sundays; on other days but Saturdays it is 06:15."""
    left_out: date
    twice: date
    at_first: dict[str, str]
    """What a clock shows at the first moment after a time that is left out."""
    tz: ZoneInfo = field(init=False)

    def __post_init__(self) -> None:
        """Look the zone up."""
        self.tz = ZoneInfo(self.zone)

    @property
    def changes(self) -> list[date]:
        """Both changes of its clocks, in their order."""
        return sorted((self.left_out, self.twice))

    def noon(self, day: date) -> datetime:
        """Noon of a date, in UTC."""
        return datetime.combine(day, time(12), self.tz).astimezone(UTC)

    def shown(self, moment: str) -> str:
        """What a clock there shows at a moment of the record, the first time that it shows it."""
        local = datetime.fromisoformat(moment).astimezone(self.tz)
        assert local.fold == 0
        return local.strftime("%Y-%m-%d %H:%M")

    def on(self, day: date, at: str) -> str:
        """What it shows when a time of day has come on a date."""
        return f"{day} {self.at_first[at] if day == self.left_out and at in self.at_first else at}"

    def next_closing(self, after: date) -> str:
        """What it shows at the first closing on a later date."""
        day = next(each for n in count(1) if (each := after + n * DAY).weekday() != 5)
        return self.on(day, self.closing if day.weekday() == 6 else "06:15")


PLACES = (
    Place("Europe/Berlin", "02:30", "02:45", date(2027, 3, 28), date(2027, 10, 31),
          {"02:30": "03:00", "02:45": "03:00"}),
    Place("Australia/Lord_Howe", "01:45", "02:15", date(2027, 10, 3), date(2027, 4, 4),
          {"02:15": "02:30"}),
)  # fmt: skip


class Stepped(Later):
    """A clock that stands until it is put further."""

    moment: datetime

    def now(self) -> datetime:
        """The moment that it was put to."""
        return self.moment


def founded(root: Path, profile: bytes, place: Place) -> Path:
    """A studio there: hours, closings by the day of the week, a profile with a stated date."""
    make_studio(root, profile)
    toml = root / "studio.toml"
    toml.write_text(
        toml.read_text().replace("Europe/Berlin", place.zone)
        + f'[prepare]\nwindow = "22:00-06:00"\n[upkeep]\nat = "{place.upkeep}"\narchive_days = 1\n'
    )
    lab = LAB_FILE.replace('rule = "quiet"\nminutes = 600',
        f'rule = "at"\ntimes = ["Mon-Fri 06:15", "Sun {place.closing}"]')  # fmt: skip
    (root / f"labs/{LAB}.toml").write_text(lab)
    (root / "surfaces/new-board.toml").write_text(SURFACE.replace("Small rag", "New board"))
    (root / "hot/new-board").mkdir()
    other = LAB_FILE.replace("small-rag", "new-board").replace("Brindlewick", "Third lab")
    last = place.changes[0] + 2 * DAY
    (root / "labs/third.toml").write_text(f"{other}valid_until = {last.isoformat()}\n")
    return root


def dropped(root: Path, number: int) -> None:
    """One more picture."""
    tifffile.imwrite(
        root / f"hot/small-rag/2x3in/n{number}.tif", picture(60, 90, number), photometric="rgb",
        iccprofile=build_matrix_profile("srgb"),
    )  # fmt: skip


def rest(studio: OpenStudio, clock: Stepped) -> None:
    """Turn until all that is due was done; waits are waited for in thought alone."""
    rested, dispatch = 0, studio.dispatch
    for _ in range(3000):
        turn = dispatch.turn()
        busy = dispatch.upkeep.is_at_work or dispatch.morning.is_at_work or turn.working
        if turn.moving:
            clock.waited += 1.5
        rested = 0 if busy or turn.moved or turn.moving else rested + 1
        if rested == 2:
            return
        if busy:
            system_time.sleep(0.002)
    raise AssertionError("it never rests")


def moments(studio: OpenStudio, end: datetime, drops: Sequence[datetime]) -> Iterator[datetime]:
    """When the service looks: at each event and each drop, and after what comes in the night."""
    settings, now = studio.workshop.settings, studio.workshop.clock.now()
    events = list(takewhile(lambda event: event.at <= end, coming(settings, now)))
    # Where a time comes twice, it is there again after half an hour or a whole one.
    nightly = [event.at for event in events if event.kind in ("upkeep", "closing")]
    again = (at + timedelta(minutes=late) for at in nightly for late in (30, 60))
    found = {*(event.at for event in events), *again, *drops, end}
    yield from sorted(each for each in found if each <= end)


def live(root: Path, place: Place, spans: Sequence[Span], drops: Sequence[date]) -> None:
    """Have the service run from noon to noon, stopped between, with a drop at some noons."""
    clock, number = Stepped(), count(1)
    at_noon = [place.noon(day) for day in drops]
    for first, last in spans:
        clock.moment, end = place.noon(first), place.noon(last)
        with opened(root, clock) as studio:
            studio.dispatch.serve()
            rest(studio, clock)
            for moment in moments(studio, end, [each for each in at_noon if each > clock.moment]):
                clock.moment = moment
                if moment in at_noon:
                    dropped(root, next(number))
                rest(studio, clock)


def daily(root: Path, place: Place, kind: str) -> list[tuple[str, str, bool, int]]:
    """Local date, what the clock showed, late, and how many were missed, of each on record."""
    return [
        (told.body["local_date"], place.shown(told.at), told.body["late"], told.body["missed"])
        for told in entries(root, kind)
    ]


def wanted_daily(place: Place, spans: Sequence[Span], at: str) -> list[tuple[str, str, bool, int]]:
    """One for each date of the spans, and after a gap one that makes up for it."""
    found = []
    for index, (first, last) in enumerate(spans):
        if index:
            missed = (first - spans[index - 1][1]).days - 1
            found.append((first.isoformat(), f"{first} 12:00", True, missed))
        for n in range(1, (last - first).days + 1):
            day = first + n * DAY
            found.append((day.isoformat(), place.on(day, at), False, 0))
    return found


def wanted_closings(
    place: Place, spans: Sequence[Span], drops: Sequence[date]
) -> list[tuple[str, bool]]:
    """When each drop's parcel is closed: at its time, or at the next start and late."""
    found = []
    for (first, last), after in pairwise([*spans, (date.max, date.max)]):
        for day in sorted(drops):
            if not first < day < last:
                continue
            closing = place.next_closing(day)
            if closing <= f"{last} 12:00":
                found.append((closing, False))
            elif after[0] != date.max:
                found.append((f"{after[0]} 12:00", True))
    return found


def held_against(root: Path, place: Place, spans: Sequence[Span], drops: Sequence[date]) -> None:
    """Hold a studio's record against what the dates of the calendar ask for."""
    assert daily(root, place, "upkeep-begun") == wanted_daily(place, spans, place.upkeep)
    assert len(entries(root, "upkeep-done")) == len(entries(root, "upkeep-begun"))
    assert daily(root, place, "morning-written") == wanted_daily(place, spans, "07:00")
    sealed = entries(root, "parcel-sealed")
    closed = [(place.shown(told.at), told.body["late"]) for told in sealed]
    assert closed == wanted_closings(place, spans, drops)
    for told in sealed:
        assert told.body["late"] or place.shown(told.body["closing"]) == place.shown(told.at)
    made = {place.shown(told.at)[11:] for told in entries(root, "rendered")}
    assert made == {"22:00"}
    assert "which is past" in (root / "hot/WAITING.txt").read_text()
    assert ask_here(root, "ledger", "verify")[0] == 0


def reminders(root: Path) -> list[tuple[int, int, bool]]:
    """Threshold, days left, and whether it was late, of each that was given."""
    return [
        (told.body["threshold"], told.body["days_left"], told.body["late"])
        for told in entries(root, "profile-date-near")
    ]


@pytest.mark.fault(41)
@pytest.mark.fault(42)
@pytest.mark.usefixtures("steps_here")
@pytest.mark.parametrize("place", PLACES, ids=lambda place: place.zone)
def test_weeks_around_both_changes(place: Place, tmp_path: Path, profile: bytes) -> None:
    """Some days around each change of the clocks, stopped for the months between them."""
    root = founded(tmp_path / "studio", profile, place)
    spans = [(change - 3 * DAY, change + 2 * DAY) for change in place.changes]
    spans[0] = spans[0][0], spans[0][0] + 9 * DAY
    drops = [change - 2 * DAY for change in place.changes] + [place.changes[0] + 5 * DAY]
    live(root, place, spans, drops)
    held_against(root, place, spans, drops)
    assert reminders(root) == [(7, 4, True), (1, 1, False)]


@pytest.mark.fault(41)
@pytest.mark.fault(42)
@pytest.mark.long
@pytest.mark.usefixtures("steps_here")
@pytest.mark.parametrize("place", PLACES, ids=lambda place: place.zone)
def test_a_year(place: Place, tmp_path: Path, profile: bytes) -> None:
    """All of 2027, a picture each Friday and others around a change, stopped for days in June."""
    root = founded(tmp_path / "studio", profile, place)
    year = [date(2027, 1, 1) + n * DAY for n in range(365)]
    spans = [(year[0], date(2027, 6, 12)), (date(2027, 6, 16), year[-1])]
    drops = [day for day in year if day.weekday() == 4 or day in place.changes]
    live(root, place, spans, drops)
    held_against(root, place, spans, drops)
    assert reminders(root) == [(30, 30, False), (7, 7, False), (1, 1, False)]
