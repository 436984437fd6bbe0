"""The hours of preparing, closings, reminders and the service manager, with the service's parts."""

import signal
import socket
import subprocess
import time
from datetime import UTC, datetime, timedelta
from pathlib import Path

from at_night import Later, entries, live_through, opened
from at_work import PLATEMARK, ask_here, jobs, states

from platemark.app.open_studio import OpenStudio


class Told(Later):
    """A clock that shows what it is told, and goes on from there."""

    def tell(self, moment: str) -> None:
        """Show this moment now."""
        self.ahead = datetime.fromisoformat(moment).replace(tzinfo=UTC) - datetime.now(UTC)


def settle(studio: OpenStudio) -> None:
    """Turn until all that may be done now is done."""
    until = time.monotonic() + 60
    rested = 0
    while rested < 5 or time.monotonic() < until - 57:
        assert time.monotonic() < until
        turn = studio.dispatch.turn()
        rested = 0 if turn.working or turn.moving or turn.moved else rested + 1
        time.sleep(0.02)


def at_hours(studio: Path, closing: str = 'rule = "each"') -> None:
    toml = studio / "studio.toml"
    toml.write_text(toml.read_text() + '\n[prepare]\nwindow = "22:00-06:00"\n')
    lab = studio / "labs/brindlewick.toml"
    lab.write_text(lab.read_text().replace('rule = "quiet"\nminutes = 600', closing))


def test_held_is_told_at_once_and_print_files_wait(studio: Path) -> None:
    """At noon: one picture is held, the other checked and no more; at ten it is made and sent."""
    at_hours(studio)
    clock = Told()
    clock.tell("2027-06-01T10:00")
    with opened(studio, clock) as at_work:
        at_work.dispatch.keeps_hours = True
        settle(at_work)
        assert states(jobs(studio)) == {"good.tif": "examined", "untagged.tif": "held"}
        assert at_work.dispatch.counts == (0, 1, 1)
        clock.tell("2027-06-01T20:00")  # 22:00 in Berlin
        settle(at_work)
        assert states(jobs(studio))["good.tif"] == "delivered"


def test_rush_goes_through_the_window(studio: Path) -> None:
    """What is wanted before the next closing is made at noon, in a parcel that says so."""
    at_hours(studio, 'rule = "at"\ntimes = ["Mon-Fri 06:15"]')
    sidecar = studio / "hot/small-rag/2x3in/good.tif.toml"
    sidecar.write_text("due = 2027-06-05\n")
    clock = Told()
    clock.tell("2027-06-04T10:00")  # a Friday
    with opened(studio, clock) as at_work:
        at_work.dispatch.keeps_hours = True
        settle(at_work)
    assert states(jobs(studio))["good.tif"] == "delivered"
    assert entries(studio, "parcel-sealed")[-1].body["rush"] is True


def test_a_missed_closing_is_caught_up_once_and_late(studio: Path) -> None:
    """Stopped over its closing time, a parcel is closed at the start, once, and called late."""
    at_hours(studio, 'rule = "at"\ntimes = ["Mon-Fri 06:15"]')
    clock = Told()
    clock.tell("2027-06-03T20:30")
    with opened(studio, clock) as at_work:
        at_work.dispatch.keeps_hours = True
        settle(at_work)
        assert states(jobs(studio))["good.tif"] == "rendered"
    clock.tell("2027-06-04T09:00")
    for _ in range(2):
        with opened(studio, clock) as at_work:
            settle(at_work)
    (sealed,) = entries(studio, "parcel-sealed")
    assert sealed.body["late"] is True
    assert sealed.body["closing"] == "2027-06-04T06:15:00+02:00"


def test_a_profile_is_reminded_of_once_a_threshold(swept: Path) -> None:
    """Nights from forty days ahead to the day after: thirty, seven, one, each once and on time."""
    lab = swept / "labs/brindlewick.toml"
    last = datetime.now(UTC).date() + timedelta(days=40)
    lab.write_text(lab.read_text() + f"valid_until = {last.isoformat()}\n")
    for days in (2, 9, 10, 11, 12, 32, 33, 34, 38, 39, 40, 42):
        with opened(swept, Later(days=days)) as at_work:
            live_through(at_work)
    told = [each.body["threshold"] for each in entries(swept, "profile-date-near")]
    assert told == [30, 7, 1]
    assert "which is past" in (swept / "hot/WAITING.txt").read_text()
    assert ask_here(swept, "ledger", "verify")[0] == 0


def test_the_service_manager_is_told(studio: Path, tmp_path: Path) -> None:
    """The real service: ready, its watchdog fed again and again, what it is at, and its end."""
    toml = studio / "studio.toml"
    toml.write_text(toml.read_text() + "\n[page]\non = false\n")
    with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as heard:
        heard.bind(str(tmp_path / "told"))
        heard.settimeout(30)
        process = subprocess.Popen(
            [str(PLATEMARK), "--studio", str(studio), "run"],
            stderr=subprocess.DEVNULL,
            env={"NOTIFY_SOCKET": str(tmp_path / "told"), "WATCHDOG_USEC": "4000000"},
        )
        found = [heard.recv(4096).decode() for _ in range(8)]
        process.send_signal(signal.SIGTERM)
        assert process.wait(60) == 0
        heard.settimeout(0.2)
        try:
            while True:
                found.append(heard.recv(4096).decode())
        except TimeoutError:
            pass
    assert found[0] == "READY=1"
    assert found.count("WATCHDOG=1") >= 2
    assert any(each.startswith("STATUS=") and "held; next " in each for each in found)
    assert found[-1].startswith("STOPPING=1")


def test_doctor_names_the_next_ten(swept: Path) -> None:
    """Ten events, and how parcels are closed."""
    code, said = ask_here(swept, "doctor")
    assert code == 0
    assert said.count(" coming: ") == 10
    assert "print files are made at any hour" in said
