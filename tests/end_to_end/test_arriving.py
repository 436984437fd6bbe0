"""Files that come in their own way: slowly, with holes, old, replaced, or gone before their turn.

Real files in the real engine; only the clock is ours where waiting would be long.
"""

import hashlib
import io
import os
import shutil
import subprocess
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import suppress
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest
import tifffile
from at_work import ask, jobs, states
from harness import make_studio, picture

from platemark import durable
from platemark.app import service
from platemark.app.open_studio import OpenStudio, open_studio
from platemark.app.service import sweep
from platemark.engine.claim import StillWritten, copy_in
from platemark.engine.clock import SystemClock
from platemark.engine.hold import stops_of
from platemark.imaging.icc import build_matrix_profile
from platemark.intake.look import Sighting
from platemark.ledger.read import JobRow

pytestmark = pytest.mark.usefixtures("steps_here")

HOT = "hot/small-rag/2x3in"
SETTLE_S = 1.0


class TurnedClock(SystemClock):
    """A clock whose both hands are turned by the test alone, or by the time that passes besides."""

    waited = 0.0
    set_to = timedelta()

    def now(self) -> datetime:
        """The system's time, set as somebody set it."""
        return datetime.now(UTC) + self.set_to

    def monotonic(self) -> float:
        """Seconds that passed for the test."""
        return self.waited


@pytest.fixture
def root(tmp_path: Path, profile: bytes) -> Path:
    """A small studio with nothing dropped."""
    make_studio(tmp_path / "studio", profile)
    return tmp_path / "studio"


@pytest.fixture
def clock() -> TurnedClock:
    """A clock that stands."""
    return TurnedClock()


@pytest.fixture
def opened(root: Path, clock: TurnedClock) -> Iterator[OpenStudio]:
    """The studio, open for single turns."""
    with open_studio(root, clock) as studio:
        yield studio
        studio.dispatch.stop()


def rows(studio: OpenStudio) -> list[JobRow]:
    """Every job."""
    return studio.workshop.ledger.read.jobs()


def turn_until(studio: OpenStudio, right: Callable[[], bool]) -> None:
    """Take turns until something has come to be so."""
    deadline = time.monotonic() + 180
    while not right():
        assert time.monotonic() < deadline, [(r.original_name, r.state) for r in rows(studio)]
        studio.dispatch.turn()
        time.sleep(0.01)


def settle(studio: OpenStudio, clock: TurnedClock) -> None:
    """Look, let the settle time pass, and look again."""
    studio.dispatch.turn()
    clock.waited += SETTLE_S
    studio.dispatch.turn()


def good(seed: int, width: int = 200, height: int = 300) -> bytes:
    """A picture that goes through."""
    made = io.BytesIO()
    srgb = build_matrix_profile("srgb")
    tifffile.imwrite(made, picture(width, height, seed), photometric="rgb", iccprofile=srgb)
    return made.getvalue()


def is_proved(root: Path) -> None:
    """The record holds, and no job was sent twice."""
    assert ask(root, "ledger", "verify")[0] == 0
    sent = [path.name for path in (root / "at-the-lab").glob("*/data/*.tif")]
    assert len(sent) == len(set(sent))


@pytest.mark.fault(14, 15)
@pytest.mark.parametrize("form", ["grows", "preallocated"])
def test_an_open_file_is_waited_for_however_long_its_writer_pauses(
    opened: OpenStudio, clock: TurnedClock, root: Path, form: str
) -> None:
    """Ten pauses of five minutes, each far beyond the settle time: one job, of the whole file."""
    whole = good(1)
    size = len(whole)
    with (root / HOT / "slow.tif").open("wb", buffering=0) as file:
        if form == "preallocated":
            os.posix_fallocate(file.fileno(), 0, size)
        for part in range(10):
            file.write(whole[size * part // 10 : size * (part + 1) // 10])
            settle(opened, clock)
            clock.waited += 100
            opened.dispatch.turn()
        assert rows(opened) == []
        assert "still has it open for writing" in (root / "hot/WAITING.txt").read_text()
    turn_until(opened, lambda: len(rows(opened)) == 1)
    assert rows(opened)[0].original_sha256 == hashlib.sha256(whole).hexdigest()
    opened.dispatch.turn()
    assert "open for writing" not in (root / "hot/WAITING.txt").read_text()


@pytest.mark.long
@pytest.mark.fault(14)
def test_a_file_that_stays_open_is_taken_in_the_end(
    opened: OpenStudio, clock: TurnedClock, root: Path
) -> None:
    """A program that never closes a whole file keeps it for half an hour, not for ever."""
    with (root / HOT / "open.tif").open("wb", buffering=0) as file:
        file.write(good(1))
        settle(opened, clock)
        assert rows(opened) == []
        clock.waited += 31 * 60
        turn_until(opened, lambda: [row.state for row in rows(opened)] == ["rendered"])


@pytest.mark.fault(14)
def test_a_copy_that_is_made_in_steps_is_never_held(
    opened: OpenStudio, clock: TurnedClock, root: Path
) -> None:
    """A program that closes the file in each pause of five minutes: it goes back, then through."""
    whole, path = good(1), root / HOT / "stepped.tif"
    for part in range(4):
        with path.open("ab") as file:
            file.write(whole[len(whole) * part // 4 : len(whole) * (part + 1) // 4])
        settle(opened, clock)
        turn_until(opened, lambda: part == 3 or bool(opened.dispatch.turn().growing))  # noqa: B023
        clock.waited += 5 * 60
    turn_until(opened, lambda: rows(opened)[-1].state == "examined")
    assert {row.state for row in rows(opened)[:-1]} <= {"withdrawn"}
    assert not list(opened.workshop.ledger.read.entries(kind="held"))
    assert rows(opened)[-1].original_sha256 == hashlib.sha256(whole).hexdigest()


@pytest.mark.fault(14)
def test_a_copy_that_was_cut_off_is_held_after_half_an_hour(
    opened: OpenStudio, clock: TurnedClock, root: Path
) -> None:
    """What never comes whole is held, for its missing end."""
    (root / HOT / "cut.tif").write_bytes(good(1)[:60_000])
    settle(opened, clock)
    turn_until(opened, lambda: bool(opened.dispatch.turn().growing))
    clock.waited += 29 * 60
    opened.dispatch.turn()
    assert [row.state for row in rows(opened)] == ["claimed"]
    clock.waited += 2 * 60
    turn_until(opened, lambda: [row.state for row in rows(opened)] == ["held"])
    (finding,) = (f for f in stops_of(opened.workshop, rows(opened)[0]) if f.severity == "stop")
    assert finding.code == "file-damaged"


@pytest.mark.fault(16)
@pytest.mark.parametrize("copy", ["cp -p", "touch -d 1999-12-31", "touch -d 2062-01-01"])
def test_times_that_a_copy_keeps_hide_nothing(
    opened: OpenStudio, clock: TurnedClock, root: Path, tmp_path: Path, copy: str
) -> None:
    """A file of long ago or of a time to come is taken, and so is another of its time and size.

    The second is copied over the first, which was claimed and is still there.
    """
    source, target = tmp_path / "old.tif", root / HOT / "old.tif"
    for seed, name in ((1, "old.tif"), (2, "old.tif")):
        source.write_bytes(good(seed))
        subprocess.run(["touch", "-d", "2003-05-01", str(source)], check=True)
        if copy == "cp -p":
            subprocess.run(["cp", "-p", str(source), str(target)], check=True)
        else:
            shutil.copy(source, root / HOT / name)
            subprocess.run([*copy.split(), str(target)], check=True)
        settle(opened, clock)
        turn_until(opened, lambda: len(rows(opened)) == seed)  # noqa: B023
        assert rows(opened)[-1].original_sha256 == hashlib.sha256(good(seed)).hexdigest()


@pytest.mark.fault(17)
def test_a_file_that_is_replaced_while_it_is_read_is_one_or_the_other(
    opened: OpenStudio, root: Path
) -> None:
    """Replaced as fast as can be, by renaming and by writing: what is copied is a whole version."""
    versions = [bytes([number]) * 3_000_000 for number in range(7)]
    known = {hashlib.sha256(data).hexdigest() for data in versions}
    path, over = root / HOT / "busy.tif", threading.Event()
    path.write_bytes(versions[0])

    def replace() -> None:
        number = 0
        while not over.is_set():
            number += 1
            aside = root / f"aside-{number}"
            aside.write_bytes(versions[number % 7])
            if number % 3:
                aside.replace(path)
            else:
                # In place, as an editor may: cut to nothing, then written.
                path.write_bytes(versions[number % 7])
                aside.unlink()

    thread = threading.Thread(target=replace)
    thread.start()
    copied, deadline = 0, time.monotonic() + 20
    try:
        while copied < 20 and time.monotonic() < deadline:
            found = path.stat()
            seen = Sighting(f"{HOT[4:]}/busy.tif".encode(), durable.identity(found), found.st_size,
                            found.st_mtime_ns, found.st_ino, found.st_dev, "small-rag")  # fmt: skip
            spool = root / "work/spool/copy"
            taken = None
            with suppress(StillWritten):
                taken = copy_in(opened.workshop, seen, (), spool, patient=True)
            if taken is not None:
                copied += 1
                assert taken.copied.sha256 in known
                assert durable.hash_file(spool) == taken.copied.sha256
                spool.unlink()
            assert not spool.exists()
    finally:
        over.set()
        thread.join()
    assert copied


@pytest.mark.fault(17)
def test_a_file_that_is_replaced_at_its_claim_is_taken_as_both(
    opened: OpenStudio, clock: TurnedClock, root: Path
) -> None:
    """Just as it is copied another takes its name: whichever was read, each is a whole picture."""
    first, second = good(1), good(2)
    (root / HOT / "heron.tif").write_bytes(first)
    done = []

    def replace(moment: str, name: str, paths: tuple[Path, ...]) -> None:
        if (moment, name) == ("before", "write") and "spool" in str(paths[0]) and not done:
            done.append(True)
            (root / "aside").write_bytes(second)
            (root / "aside").replace(root / HOT / "heron.tif")

    durable.observe(replace)
    settle(opened, clock)
    durable.observe(None)
    assert done
    settle(opened, clock)
    turn_until(opened, lambda: bool(rows(opened)))
    hashes = [hashlib.sha256(data).hexdigest() for data in (first, second)]
    assert [row.original_sha256 for row in rows(opened)] in (hashes, hashes[1:])


@pytest.mark.fault(20)
def test_a_file_that_goes_between_the_look_and_its_claim(
    opened: OpenStudio, clock: TurnedClock, root: Path
) -> None:
    """Nothing is made of it, the next one is taken, and nothing stumbles."""
    (root / HOT / "a.tif").write_bytes(good(1))
    (root / HOT / "b.tif").write_bytes(good(2))

    def remove(moment: str, name: str, paths: tuple[Path, ...]) -> None:
        if (moment, name) == ("before", "write") and "spool" in str(paths[0]):
            (root / HOT / "b.tif").unlink(missing_ok=True)

    durable.observe(remove)
    settle(opened, clock)
    durable.observe(None)
    turn_until(opened, lambda: [row.state for row in rows(opened)] == ["examined"])
    assert rows(opened)[0].original_name == "a.tif"
    assert opened.dispatch.troubles == ()


@pytest.mark.fault(20)
def test_a_file_that_goes_after_its_claim_is_printed_all_the_same(
    opened: OpenStudio, clock: TurnedClock, root: Path
) -> None:
    """Its original is in the archive; the record says that the file vanished."""
    (root / HOT / "a.tif").write_bytes(good(1))
    settle(opened, clock)
    turn_until(opened, lambda: len(rows(opened)) == 1)
    (root / HOT / "a.tif").unlink()
    turn_until(opened, lambda: bool([*opened.workshop.ledger.read.entries(kind="let-go")]))
    (entry,) = opened.workshop.ledger.read.entries(kind="let-go")
    assert entry.body["outcome"] == "vanished"


@pytest.mark.fault(40)
def test_a_clock_that_jumps_about_breaks_nothing(root: Path, clock: TurnedClock) -> None:
    """A day forward and back at every turn: waits keep their length, the record its order."""
    (root / "labs/brindlewick.toml").write_text(
        (root / "labs/brindlewick.toml").read_text().replace(
            'rule = "quiet"\nminutes = 600', 'rule = "at"\ntimes = ["06:15", "18:30"]'
        )
    )  # fmt: skip
    (root / HOT / "good.tif").write_bytes(good(1))
    (root / HOT / "cut.tif").write_bytes(good(2)[:60_000])
    tifffile.imwrite(root / HOT / "untagged.tif", picture(200, 300, 3), photometric="rgb")
    with open_studio(root, clock) as opened:
        read = opened.workshop.ledger.read

        def found() -> dict[str, str]:
            # The clock is put right by some seconds all the time, as from afar.
            clock.set_to -= timedelta(seconds=3 if clock.set_to.seconds % 2 else -5)
            return {row.original_name: row.state for row in rows(opened)}

        for days in (1, -1, 30, -30, 0):
            clock.set_to = timedelta(days=days)
            opened.dispatch.turn()
        assert found() == {}
        clock.set_to, clock.waited = timedelta(), SETTLE_S
        read_all = {"good.tif": "rendered", "cut.tif": "claimed", "untagged.tif": "held"}
        turn_until(opened, lambda: found() == read_all and bool(opened.dispatch._growing.cut_off))
        clock.set_to, clock.waited = timedelta(days=1), clock.waited + 11
        turn_until(opened, lambda: found() == read_all | {"good.tif": "delivered"})
        clock.set_to, clock.waited = timedelta(days=-1), clock.waited + 11
        turn_until(opened, lambda: any((root / "held").glob("*/*/ANSWER.txt")))
        (sheet,) = (root / "held").glob("*/*/ANSWER.txt")
        text = sheet.read_text().replace("[ ] accept colour-untagged", "[x] accept colour-untagged")
        sheet.write_text(text.replace("by: ", "by: Mira", 1).replace("because: ", "because: x", 1))
        turn_until(opened, lambda: found()["untagged.tif"] == "rendered")
        assert found()["cut.tif"] == "claimed", "a day that did not pass is no wait"
        clock.waited += 31 * 60
        turn_until(opened, lambda: found()["cut.tif"] == "held")
        entries = list(read.entries())
        assert [entry.seq for entry in entries] == list(range(1, len(entries) + 1))
        ats = [entry.at for entry in entries]
        assert ats != sorted(ats), "the clock never went back"
        assert read.find_fault() is None
        opened.dispatch.stop()
    is_proved(root)


@pytest.mark.long
def test_a_file_that_never_rests_does_not_keep_a_sweep_for_ever(
    root: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The sweep does what it can, then ends with a fault that names the file."""
    monkeypatch.setattr(service, "RESTLESS_S", 1.0)
    monkeypatch.setattr(service, "RESTLESS_TURNS", 5)
    (root / "hot/small-rag/good_2x3in.tif").write_bytes(good(1))
    over = threading.Event()

    def write() -> None:
        while not over.wait(0.1):
            with (root / HOT / "restless.tif").open("ab") as file:
                file.write(b"more")

    thread = threading.Thread(target=write)
    thread.start()
    try:
        swept = sweep(root)
    finally:
        over.set()
        thread.join()
    assert "hot/small-rag/2x3in/restless.tif has been changing for" in swept.fault
    assert "Nothing is lost" in swept.fault
    assert states(jobs(root)) == {"good_2x3in.tif": "delivered"}
    is_proved(root)
