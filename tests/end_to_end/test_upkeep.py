"""The service's nights: once for each local date, beside its work, and the record written by it."""

import signal
import time
from collections import Counter
from collections.abc import Callable
from datetime import UTC, datetime, timedelta
from pathlib import Path
from zoneinfo import ZoneInfo

import pytest
from at_night import Later, change_entry, entries, flip, live_through, nights, one_night, opened
from at_work import ask_here, jobs
from harness import drop_pictures, make_studio

from loaded import Loaded
from platemark import durable
from platemark.app.open_studio import OpenStudio, open_studio
from platemark.engine import upkeep
from platemark.model.errors import RecordDamaged


class Told(Later):
    """A clock that shows whatever it is told."""

    moment: datetime | None = None

    def now(self) -> datetime:
        """The moment that it was told, or the system's."""
        return self.moment or super().now()


@pytest.fixture
def quiet(tmp_path: Path, profile: bytes) -> Path:
    """A studio with a record and nothing to do: its only picture is held."""
    make_studio(tmp_path / "studio", profile)
    return tmp_path / "studio"


def in_zone(studio: Path, zone: str, at: str) -> None:
    toml = studio / "studio.toml"
    text = toml.read_text().replace("Europe/Berlin", zone)
    toml.write_text(f'{text}\n[upkeep]\nat = "{at}"\n')


def begin_record(studio: Path, moment: datetime) -> None:
    """Have the record begin at a moment, with an entry that asks for nothing."""
    clock = Told()
    clock.moment = moment
    with open_studio(studio, clock) as at_work:
        with at_work.workshop.ledger.transaction() as transaction:
            transaction.append("taken-changed", {"path_hex": "", "found": "", "about": None})
        at_work.dispatch.stop()


def test_a_night_proves_reads_and_lets_go(swept: Path) -> None:
    """One upkeep when its time has come: recorded at its begin and its end, on time."""
    toml = swept / "studio.toml"
    toml.write_text(toml.read_text() + "\n[upkeep]\narchive_days = 1\n")
    now = datetime.now(ZoneInfo("Europe/Berlin"))
    at = now.replace(hour=3, minute=40)
    if now.hour * 60 + now.minute >= 210:
        at += timedelta(days=1)
    ahead = at - datetime.now(UTC)
    one_night(swept, Later(seconds=ahead.total_seconds()))
    assert nights(swept) == [(at.date().isoformat(), False)]
    (done,) = entries(swept, "upkeep-done")
    assert done.body["entries"] > 10
    assert int(done.body["files"]) > 0
    code, doctor = ask_here(swept, "doctor")
    assert code == 0
    assert f"last for {at.date().isoformat()}; next at 03:30 (Europe/Berlin)" in doctor
    assert ask_here(swept, "ledger", "verify", "--files")[0] == 0


def test_the_service_keeps_its_nights(studio: Path, started: Callable[[], Loaded]) -> None:
    """The real service, stopped over the time of its first night: it is done, and called late."""
    begin_record(studio, datetime.now(UTC) - timedelta(days=2))
    process = started()
    deadline = time.monotonic() + 60
    while not entries(studio, "upkeep-done"):
        assert time.monotonic() < deadline
        time.sleep(0.2)
    process.send_signal(signal.SIGTERM)
    assert process.wait(timeout=60) == 0
    ((_, late),) = nights(studio)
    assert late


def test_a_sweep_keeps_no_night(swept: Path) -> None:
    """A sweep is for what waits; it neither reads the archive nor lets anything go."""
    with open_studio(swept, Later(days=400)) as studio:
        for _ in range(5):
            studio.dispatch.turn()
        studio.dispatch.stop()
    assert nights(swept) == []
    assert entries(swept, "removal-begun") == []


@pytest.mark.fault(41)
@pytest.mark.parametrize(
    ("zone", "at", "around"),
    [
        ("Europe/Berlin", "02:30", (datetime(2027, 3, 28), datetime(2027, 10, 31))),
        ("America/New_York", "02:30", (datetime(2027, 3, 14), datetime(2027, 11, 7))),
        ("America/Santiago", "00:00", (datetime(2027, 4, 4), datetime(2027, 9, 5))),
    ],
)
def test_nights_around_the_change_of_the_clocks(
    zone: str, at: str, around: tuple[datetime, ...], quiet: Path
) -> None:
    """The service itself, every twenty minutes of three days around each change: one a date."""
    in_zone(quiet, zone, at)
    place = ZoneInfo(zone)
    begin_record(quiet, datetime(2027, 1, 1, 12, tzinfo=UTC))
    for change in around:
        clock = Told()
        clock.moment = (change - timedelta(days=1)).replace(tzinfo=place).astimezone(UTC)
        with opened(quiet, clock) as studio:
            tend = studio.dispatch.upkeep
            while clock.moment < (change + timedelta(days=2)).replace(tzinfo=place):
                tend.tend(busy=False)
                while tend.is_at_work:
                    time.sleep(0.001)
                    tend.tend(busy=False)
                clock.moment += timedelta(minutes=20)
    days = Counter(day for day, _ in nights(quiet))
    assert max(days.values()) == 1
    wanted = {
        (change + timedelta(days=offset)).date().isoformat()
        for change in around
        for offset in (-1, 0, 1)
    }
    assert wanted <= set(days)
    assert len(entries(quiet, "upkeep-done")) == len(days)
    assert ask_here(quiet, "ledger", "verify")[0] == 0


@pytest.mark.fault(41)
@pytest.mark.long
@pytest.mark.parametrize("zone", ["Europe/Berlin", "America/New_York", "Africa/Cairo"])
def test_nights_of_a_whole_year(zone: str, quiet: Path) -> None:
    """The service itself through a year, stopped and started anew every month."""
    in_zone(quiet, zone, "00:00" if zone == "Africa/Cairo" else "02:30")
    begin_record(quiet, datetime(2027, 1, 1, 12, tzinfo=UTC))
    clock = Told()
    clock.moment = datetime(2027, 1, 1, 12, tzinfo=UTC)
    for month in range(2, 14):
        end = datetime(2027 + month // 13, (month - 1) % 12 + 1, 1, tzinfo=UTC)
        with opened(quiet, clock) as studio:
            tend = studio.dispatch.upkeep
            while clock.moment < end:
                tend.tend(busy=False)
                while tend.is_at_work:
                    time.sleep(0.0005)
                    tend.tend(busy=False)
                clock.moment += timedelta(minutes=30)
    found = nights(quiet)
    days = [day for day, _ in found]
    first, last = (datetime.fromisoformat(day) for day in (days[0], days[-1]))
    assert len(set(days)) == len(days) == (last - first).days + 1 >= 363
    assert not any(late for _, late in found)
    assert ask_here(quiet, "ledger", "verify")[0] == 0


@pytest.mark.fault(42)
def test_missed_nights_are_caught_up_once_and_called_late(swept: Path) -> None:
    """Down over five nights: one upkeep when it runs again, which says how many it missed."""
    one_night(swept, Later(days=2))
    before = len(nights(swept))
    one_night(swept, Later(days=7))
    one_night(swept, Later(days=7, minutes=5))
    assert len(nights(swept)) == before + 1
    begun = entries(swept, "upkeep-begun")[-1]
    assert begun.body["late"]
    assert begun.body["missed"] == 4
    assert ", late; next at" in ask_here(swept, "doctor")[1]


def test_a_night_that_was_stopped_is_gone_on_with(swept: Path) -> None:
    """Stopped in the middle, the same night is ended by the next start, and is no second one."""
    clock = Later(days=2)
    with opened(swept, clock) as studio:
        while not nights(swept):
            studio.dispatch.turn()
    assert entries(swept, "upkeep-done") == []
    one_night(swept, Later(days=2, minutes=3))
    assert len(nights(swept)) == 1
    assert len(entries(swept, "upkeep-done")) == 1


@pytest.mark.fault(25)
def test_a_week_of_nights_reads_everything_once(swept: Path) -> None:
    """A damaged file is found within the week, mended, and the round recorded with it."""
    toml = swept / "studio.toml"
    toml.write_text(toml.read_text() + "\n[upkeep]\narchive_days = 4\n[keep]\ntaken_days = 0\n")
    (path,) = [each for each in (swept / "archive").glob("*/*.tif") if each.stat().st_size][:1]
    good = path.read_bytes()
    flip(path)
    shares = []
    for day in range(2, 6):
        one_night(swept, Later(days=day))
        shares.append(int(entries(swept, "upkeep-done")[-1].body["files"]))
    (round_,) = entries(swept, "archive-verified")
    assert sum(shares) == round_.body["files"]
    assert max(shares) < round_.body["files"]
    assert path.read_bytes() == good
    assert len(entries(swept, "archive-mended")) == 1


def change_an_old_entry(studio: Path) -> None:
    """Change one that a start does not look at any more: it is before the last checkpoint."""
    with open_studio(studio) as at_work:
        at_work.dispatch.stop()
    change_entry(studio, 2)


@pytest.mark.fault(45)
def test_a_damaged_record_stops_the_service_at_night(swept: Path) -> None:
    """An old entry was changed: WAITING.txt says so, the service ends, and does not start again."""
    change_an_old_entry(swept)
    with opened(swept, Later(days=2)) as studio, pytest.raises(RecordDamaged) as raised:
        live_through(studio)
    assert "Entry 2" in raised.value.sentence
    waiting = (swept / "hot/WAITING.txt").read_text()
    assert "the record: It does not hold" in waiting
    assert "Entry 2" in waiting
    with pytest.raises(RecordDamaged), open_studio(swept):
        pass
    assert len(list((swept / "at-the-lab").iterdir())) == 1


def until_it_raises(studio: OpenStudio) -> None:
    """Tend what is kept, and nothing else, until the record is found damaged; then one turn."""
    while studio.dispatch.upkeep.is_at_work or not nights(studio.workshop.folders.root):
        studio.dispatch.upkeep.tend(busy=False)
        time.sleep(0.3)
        studio.dispatch.turn()


def test_nothing_is_taken_in_once_the_record_was_found_damaged(swept: Path) -> None:
    """The turn that learns of it begins with that: no drop is taken in, no parcel is closed."""
    change_an_old_entry(swept)
    drop_pictures(swept)
    with opened(swept, Later(days=2)) as studio, pytest.raises(RecordDamaged):
        until_it_raises(studio)
    assert len(jobs(swept)) == 2


def test_pictures_come_first_but_not_for_ever(swept: Path) -> None:
    """While pictures are worked on the night waits, at most half an hour."""
    clock = Later(days=2)
    with opened(swept, clock) as studio:
        tend = studio.dispatch.upkeep
        tend.tend(busy=True)
        assert not tend.is_at_work
        clock.waited = upkeep.WAITED_FOR_PICTURES_S - 60
        tend.tend(busy=True)
        assert nights(swept) == []
        clock.waited += 120
        tend.tend(busy=True)
        assert len(nights(swept)) == 1


def test_a_slow_disk_keeps_no_turn_waiting(swept: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Reading back is done beside the service's own thread: a turn takes no longer for it."""
    read_on = upkeep.read_on

    def slowly(*words: object, **how: object) -> object:
        time.sleep(1.5)
        return read_on(*words, **how)  # type: ignore[arg-type]

    monkeypatch.setattr(upkeep, "read_on", slowly)
    with opened(swept, Later(days=2)) as studio:
        for _ in range(3):
            studio.dispatch.turn()
        longest, until = 0.0, time.monotonic() + 1.2
        while time.monotonic() < until:
            began = time.monotonic()
            studio.dispatch.turn()
            longest = max(longest, time.monotonic() - began)
        assert studio.dispatch.upkeep.is_at_work
        assert longest < 0.5


def test_a_night_with_nothing_to_do_writes_little(swept: Path) -> None:
    """Two entries for the night and one for a round: nothing that grows with the archive."""
    one_night(swept, Later(days=2))
    names: list[str] = []
    durable.observe(lambda moment, name, _: names.append(name) if moment == "before" else None)
    try:
        one_night(swept, Later(days=3))
    finally:
        durable.observe(None)
    assert 2 <= names.count("commit") <= 5
