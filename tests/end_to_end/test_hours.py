"""The hours of preparing, closings and the service manager, with the service's parts."""

import shutil
import signal
import socket
import subprocess
import sys
import threading
import time
from collections.abc import Callable
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import pytest
from at_night import Later, entries, opened
from at_work import ask_here, jobs, states
from harness import drop_pictures
from recalled_studio import in_this_process

from platemark.app import open_studio as opening
from platemark.app.coming_words import status_line, wait_words, waiting_words
from platemark.app.open_studio import OpenStudio
from platemark.app.service import sweep
from platemark.engine.schedule import coming
from platemark.ledger.mornings import WRITTEN


class Told(Later):
    """A clock that shows what it is told, and goes on from there; quiet takes no time."""

    def tell(self, moment: str) -> None:
        """Show this moment now."""
        self.ahead = datetime.fromisoformat(moment).replace(tzinfo=UTC) - datetime.now(UTC)


def settle(studio: OpenStudio) -> None:
    """Turn until all that may be done now is done."""
    clock = studio.workshop.clock
    assert isinstance(clock, Told)
    until, rested = time.monotonic() + 60, 0
    while rested < 5:
        assert time.monotonic() < until
        turn = studio.dispatch.turn()
        if turn.moving:
            clock.waited += 1.5
        rested = 0 if turn.working or turn.moving or turn.moved else rested + 1
        time.sleep(0.01)


def turn_until(studio: OpenStudio, right: Callable[[], bool]) -> None:
    """Turn until something has come to be so."""
    clock, until = studio.workshop.clock, time.monotonic() + 60
    assert isinstance(clock, Told)
    while not right():
        assert time.monotonic() < until
        clock.waited += 1.5
        studio.dispatch.turn()
        time.sleep(0.01)


def at_hours(studio: Path, closing: str = 'rule = "each"') -> None:
    toml = studio / "studio.toml"
    toml.write_text(toml.read_text() + '\n[prepare]\nwindow = "22:00-06:00"\n')
    lab = studio / "labs/brindlewick.toml"
    lab.write_text(lab.read_text().replace('rule = "quiet"\nminutes = 600', closing))


AT_SIX = 'rule = "at"\ntimes = ["Mon-Fri 06:15"]'


@pytest.mark.usefixtures("steps_here")
def test_held_is_told_at_once_and_print_files_wait(studio: Path) -> None:
    """At noon: one picture is held, the other checked and no more; at ten it is made and sent."""
    at_hours(studio)
    clock = Told()
    clock.tell("2027-06-01T10:00")
    with opened(studio, clock) as at_work:
        at_work.dispatch.hurry.keeps_hours = True
        settle(at_work)
        assert states(jobs(studio)) == {"good.tif": "examined", "untagged.tif": "held"}
        assert at_work.dispatch.counts == (0, 1, 1)
        settings, read, now = at_work.workshop.settings, at_work.workshop.ledger.read, clock.now()
        (word,) = waiting_words(settings, read, now)
        assert word.sentence == "1 checked picture waits until Tuesday 1 June, 22:00"
        waits = [wait_words(settings, row, now) for row in read.jobs()]
        assert sorted(map(str, waits)) == [
            "None", "until Tuesday 1 June, 22:00, when print files are made",
        ]  # fmt: skip
        event = next(coming(settings, now))
        assert status_line(settings, now, at_work.dispatch.counts, event) == (
            "0 in work; 1 waiting for the hours of preparing; 1 held; "
            "next Tuesday 1 June, 22:00: print files are made from now on"
        )
        clock.tell("2027-06-01T20:00")  # 22:00 in Berlin
        settle(at_work)
        assert states(jobs(studio))["good.tif"] == "delivered"


def test_a_sweep_waits_for_no_hours(studio: Path) -> None:
    """A person asked for it: swept at noon, it is made and sent although the hours are at night."""
    at_hours(studio)
    (studio / "hot/small-rag/2x3in/untagged.tif").unlink()
    clock = Told()
    clock.tell("2027-06-01T10:00")
    with in_this_process():
        swept = sweep(studio, clock)
    assert (swept.took, swept.parcels) == (1, ("brindlewick-000001",))
    assert states(jobs(studio)) == {"good.tif": "delivered"}


@pytest.mark.usefixtures("steps_here")
def test_rush_goes_through_the_window(studio: Path) -> None:
    """What is wanted before the next closing is made at noon, in a parcel that says so."""
    at_hours(studio, AT_SIX)
    sidecar = studio / "hot/small-rag/2x3in/good.tif.toml"
    sidecar.write_text("due = 2027-06-05\n")
    clock = Told()
    clock.tell("2027-06-04T10:00")  # a Friday
    with opened(studio, clock) as at_work:
        at_work.dispatch.hurry.keeps_hours = True
        settle(at_work)
    assert states(jobs(studio))["good.tif"] == "delivered"
    assert entries(studio, "parcel-sealed")[-1].body["rush"] is True


def test_rush_goes_before_the_others(studio: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """While one picture is looked at, two more come: the rush one is looked at and made first."""
    at_hours(studio, AT_SIX)
    hot, aside = studio / "hot/small-rag/2x3in", studio / "aside.tif"
    (hot / "untagged.tif").unlink()
    (hot / "good.tif").rename(aside)
    (hot / "good.tif.toml").unlink()

    def drop(name: str, asked: str) -> None:
        (hot / f"{name}.tif.toml").write_text(f'order = "{name}"\n{asked}')
        shutil.copy(aside, hot / f"{name}.tif")

    clock = Told()
    clock.tell("2027-06-04T20:30")  # a Friday; the next closing is on Monday
    with in_this_process():
        goes_on, run = threading.Event(), opening.Children.run

        def slowly(*told: Any) -> Any:
            assert goes_on.wait(60)
            return run(*told)

        monkeypatch.setattr(opening.Children, "run", slowly)
        with opened(studio, clock) as at_work:
            at_work.dispatch.hurry.keeps_hours = True
            drop("first", "")
            turn_until(at_work, lambda: at_work.dispatch.counts[0] == 1)
            drop("second", "")
            drop("wanted", "due = 2027-06-05")
            turn_until(at_work, lambda: len(jobs(studio)) == 3)
            goes_on.set()
            settle(at_work)
    names = {row["job"]: row["original_name"] for row in jobs(studio)}
    looked_at, made = (
        [names[told.job] for told in entries(studio, kind) if told.job]
        for kind in ("examined", "rendered")
    )
    assert looked_at == ["first.tif", "wanted.tif", "second.tif"]
    assert made == ["wanted.tif", "first.tif", "second.tif"]


@pytest.mark.usefixtures("steps_here")
def test_closings(studio: Path) -> None:
    """Closed by the first turn at its time; one that was missed at the start, once, and late."""
    at_hours(studio, AT_SIX)
    hot = studio / "hot/small-rag/2x3in"
    clock = Told()
    clock.tell("2027-06-02T20:30")
    with opened(studio, clock) as at_work:
        at_work.dispatch.hurry.keeps_hours = True
        settle(at_work)
        clock.tell("2027-06-03T04:14:58")
        at_work.dispatch.turn()
        assert entries(studio, "parcel-sealed") == []
        clock.tell("2027-06-03T04:15")
        at_work.dispatch.turn()
        (sealed,) = entries(studio, "parcel-sealed")
        assert (sealed.body["closing"], sealed.body["late"]) == ("2027-06-03T06:15:00+02:00", False)
        drop_pictures(studio)
        (hot / "good.tif.toml").write_text('order = "Birch"\n')
        settle(at_work)
        clock.tell("2027-06-03T20:30")
        settle(at_work)
        assert states(jobs(studio))["good.tif"] == "rendered"
    clock.tell("2027-06-04T09:00")
    for _ in range(2):
        with opened(studio, clock) as at_work:
            settle(at_work)
    (_, sealed) = entries(studio, "parcel-sealed")
    assert (sealed.body["closing"], sealed.body["late"]) == ("2027-06-04T06:15:00+02:00", True)


SERVICE_ON_A_DISK = """
import sys, threading, time
from pathlib import Path
from platemark import durable
from platemark.app.service import run

def answer_late(moment, name, paths):
    while Path(sys.argv[2]).exists() and threading.current_thread() is threading.main_thread():
        time.sleep(0.02)

durable.observe(answer_late)
run(Path(sys.argv[1]))
"""
"""The service on a disk that does not answer the service's own thread while a file is there."""


def test_the_service_manager_is_told(studio: Path, tmp_path: Path) -> None:
    """The real service: ready, fed while it turns, not while a turn hangs, and again after it.

    Its record began days ago: upkeep and digest of today are caught up, once and late.
    """
    toml = studio / "studio.toml"
    toml.write_text(toml.read_text() + "\n[page]\non = false\n")
    with opened(studio, Later(days=-3)) as at_work, at_work.workshop.ledger.transaction() as begun:
        begun.append("taken-changed", {"path_hex": "", "found": "", "about": None})
    hangs = tmp_path / "hangs"
    with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as heard:
        heard.bind(str(tmp_path / "told"))
        process = subprocess.Popen(
            [sys.executable, "-c", SERVICE_ON_A_DISK, studio, hangs],
            stderr=subprocess.DEVNULL,
            env={"NOTIFY_SOCKET": str(tmp_path / "told"), "WATCHDOG_USEC": "2000000"},
        )
        try:
            found = hear(heard, 60, lambda told: told.count("WATCHDOG=1") >= 3)
            hear(heard, 60, lambda _: bool(entries(studio, WRITTEN)))
            hangs.touch()
            drop_pictures(studio)
            # So much longer than its patience nothing comes: a manager would have ended it.
            hear(heard, 60, lambda _: False, silent_s=3)
            assert process.poll() is None
            hangs.unlink()
            hear(heard, 60, lambda told: told.count("WATCHDOG=1") >= 2)
            process.send_signal(signal.SIGTERM)
            assert process.wait(60) == 0
            end = hear(heard, 1, lambda told: told[-1].startswith("STOPPING=1"))
        finally:
            process.kill()
            process.wait()
    assert found[0] == "READY=1"
    assert any(each.startswith("STATUS=") and "held; next " in each for each in found)
    assert end[-1].startswith("STOPPING=1")
    for kind in ("upkeep-begun", WRITTEN):
        (told,) = entries(studio, kind)
        assert told.body["late"] is True


def hear(
    heard: socket.socket, within_s: float, enough: Callable[[list[str]], bool], silent_s: float = 0
) -> list[str]:
    """What a service says until it is enough, or until it says nothing for so long."""
    found: list[str] = []
    heard.settimeout(silent_s or within_s)
    until = time.monotonic() + within_s
    while time.monotonic() < until:
        try:
            found.append(heard.recv(4096).decode())
        except TimeoutError:
            assert silent_s, found
            return found
        if enough(found):
            return found
    raise AssertionError(f"it never came to that: {found}")


def test_doctor_names_the_next_ten(swept: Path) -> None:
    """Ten events, and how parcels are closed."""
    code, said = ask_here(swept, "doctor")
    assert code == 0
    assert said.count(" coming: ") == 10
    assert "print files are made at any hour" in said
