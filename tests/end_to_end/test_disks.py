"""The studio's own disk fails under the service: no room, no file entries, no writing any more.

The disks are real ones, files with an ext4 on them; root alone may mount them.
"""

import io
import os
import shutil
import signal
import subprocess
import time
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest
import tifffile
from at_work import PLATEMARK, ask, jobs, states, wait_for
from harness import make_studio, picture

from platemark import durable
from platemark.app.open_studio import OpenStudio, open_studio
from platemark.engine.clock import SystemClock
from platemark.imaging.icc import build_matrix_profile
from platemark.model.errors import DiskFull

DISK_MB = 500
LEFT_MB = 100
"""Too little to begin a picture with, and enough to record that a parcel was sent."""


class Hurried(SystemClock):
    """A clock on which a pause has passed soon."""

    def monotonic(self) -> float:
        """Seconds that pass a hundred times as fast."""
        return super().monotonic() * 100


class Disk:
    """An ext4 in a file, mounted."""

    def __init__(self, image: Path, at: Path, entries: int) -> None:
        self._image, self.at = image, at
        with image.open("wb") as file:
            file.truncate(DISK_MB << 20)
        made = ["mkfs.ext4", "-q", "-F", "-m", "0", "-N", str(entries), str(image)]
        subprocess.run(made, check=True)
        at.mkdir()
        self.mount()

    def mount(self) -> None:
        """Mount it, mended where it must be."""
        subprocess.run(["e2fsck", "-fy", str(self._image)], check=False, capture_output=True)
        subprocess.run(["mount", "-o", "loop", str(self._image), str(self.at)], check=True)

    def unmount(self) -> None:
        """Take it away."""
        subprocess.run(["umount", "--lazy", str(self.at)], check=False)

    def leave(self, mb: int) -> None:
        """Fill it, so that so much is left free."""
        taken = shutil.disk_usage(self.at).free - (mb << 20)
        with (self.at / "ballast").open("wb") as file:
            while taken > 0:
                try:
                    os.posix_fallocate(file.fileno(), os.fstat(file.fileno()).st_size, taken)
                    break
                except OSError:
                    # The file system wants some of it for itself.
                    taken -= 4096

    def leave_no_entries(self) -> None:
        """Make files until no other can be made."""
        (self.at / "many").mkdir()
        number = 0
        try:
            while True:
                (self.at / f"many/{number}").touch()
                number += 1
        except OSError:
            return


@pytest.fixture
def disk(tmp_path: Path) -> Iterator[Disk]:
    """A small disk."""
    made = Disk(tmp_path / "image", tmp_path / "disk", 2000)
    yield made
    made.unmount()


@pytest.fixture
def studio(disk: Disk, tmp_path: Path, profile: bytes) -> Path:
    """A studio on it whose hot folders and lab are elsewhere."""
    root = disk.at / "studio"
    make_studio(root, profile)
    shutil.move(root / "hot", tmp_path / "hot")
    text = (root / "studio.toml").read_text()
    (root / "studio.toml").write_text(f'{text}[hot]\npath = "{tmp_path}/hot"\n')
    lab = root / "labs/brindlewick.toml"
    lab.write_text(lab.read_text().replace('"at-the-lab"', f'"{tmp_path}/at-the-lab"'))
    (tmp_path / "at-the-lab").mkdir()
    drop(tmp_path, "one.tif", 1)
    return root


def drop(tmp_path: Path, name: str, seed: int) -> None:
    """Drop a good small picture."""
    made = io.BytesIO()
    srgb = build_matrix_profile("srgb")
    tifffile.imwrite(made, picture(200, 300, seed), photometric="rgb", iccprofile=srgb)
    (tmp_path / "hot/small-rag/2x3in" / name).write_bytes(made.getvalue())


def turn_until(opened: OpenStudio, right: Callable[[], bool]) -> None:
    """Take turns until something has come to be so."""
    deadline = time.monotonic() + 60
    while not right():
        assert time.monotonic() < deadline, [str(each) for each in opened.dispatch.troubles]
        opened.dispatch.turn()
        time.sleep(0.02)


def turn_for(opened: OpenStudio, seconds: float) -> None:
    """Take turns for a while."""
    deadline = time.monotonic() + seconds
    while time.monotonic() < deadline:
        opened.dispatch.turn()
        time.sleep(0.02)


def proved(studio: Path, tmp_path: Path) -> None:
    """The record holds, all was delivered once, and the originals are in the archive."""
    assert ask(studio, "ledger", "verify")[0] == 0
    found = jobs(studio)
    assert {job["state"] for job in found} == {"delivered"}
    for job in found:
        sha256 = job["original_sha256"]
        (kept,) = (studio / "archive" / sha256[:2]).glob(f"{sha256}.*")
        assert durable.hash_file(kept) == sha256
    sent = [path.name for path in (tmp_path / "at-the-lab").glob("*/data/*.tif")]
    assert len(sent) == len(found)


@pytest.mark.long
@pytest.mark.root
@pytest.mark.fault(5)
def test_without_room_work_waits_and_parcels_are_sent(
    disk: Disk, studio: Path, tmp_path: Path
) -> None:
    """With little room nothing is begun and what is done is sent; with none at all all waits."""
    (tmp_path / "at-the-lab").rename(tmp_path / "away")
    with open_studio(studio, Hurried()) as opened:
        read, note = opened.workshop.ledger.read, tmp_path / "hot/WAITING.txt"
        turn_until(opened, lambda: [row.state for row in read.jobs()] == ["rendered"])
        opened.dispatch.close_everything()
        turn_until(opened, lambda: bool(opened.dispatch.troubles))
        disk.leave(LEFT_MB)
        drop(tmp_path, "two.tif", 2)
        turn_until(opened, lambda: "not room enough" in note.read_text())
        (tmp_path / "away").rename(tmp_path / "at-the-lab")
        turn_until(opened, lambda: [row.state for row in read.jobs()] == ["delivered"])
        (disk.at / "ballast").unlink()
        turn_until(opened, lambda: [row.state for row in read.jobs()][1:] == ["claimed"])
        disk.leave(0)
        turn_for(opened, 2)
        assert opened.dispatch.troubles
        assert read.find_fault() is None
        (disk.at / "ballast").unlink()
        turn_until(opened, lambda: [row.state for row in read.jobs()][1:] == ["rendered"])
        assert not opened.dispatch.troubles
        opened.dispatch.stop()
    assert ask(studio, "sweep")[0] == 0
    proved(studio, tmp_path)


@pytest.mark.root
@pytest.mark.fault(6)
@pytest.mark.parametrize("state", ["", pytest.param("claimed", marks=pytest.mark.long)])
def test_without_file_entries_work_waits(
    disk: Disk, studio: Path, tmp_path: Path, state: str
) -> None:
    """A disk that takes no other file, before anything is taken in or in the midst of it."""
    with open_studio(studio, Hurried()) as opened:
        read = opened.workshop.ledger.read
        opened.dispatch.turn()
        if state:
            turn_until(opened, lambda: [row.state for row in read.jobs()] == [state])
        disk.leave_no_entries()
        turn_for(opened, 3)
        assert opened.dispatch.troubles
        assert "Nothing is lost" in str(opened.dispatch.troubles[0])
        shutil.rmtree(disk.at / "many")
        turn_until(opened, lambda: [row.state for row in read.jobs()] == ["rendered"])
        opened.dispatch.stop()
    assert ask(studio, "sweep")[0] == 0
    proved(studio, tmp_path)


@pytest.mark.fault(6)
def test_a_quota_is_as_a_full_disk() -> None:
    """What the system says when a quota is reached is told as no room, and waited for."""
    import errno

    fault = durable.translate(OSError(errno.EDQUOT, os.strerror(errno.EDQUOT)), Path("heron.tif"))
    assert isinstance(fault, DiskFull)
    assert fault.retry


@pytest.mark.root
@pytest.mark.fault(7)
def test_a_disk_that_turns_read_only_ends_the_service(
    disk: Disk, studio: Path, tmp_path: Path
) -> None:
    """It says so and ends with 1; once the disk is mended all goes on from where it was."""
    with (tmp_path / "said").open("wb") as said:
        process = subprocess.Popen(
            [str(PLATEMARK), "--studio", str(studio), "--log", "json", "run"], stderr=said
        )
    try:
        wait_for(studio, lambda rows: states(rows) == {"one.tif": "rendered"})
        os.sync()
        subprocess.run(["mount", "-o", "remount,abort", str(disk.at)], check=True)
        drop(tmp_path, "two.tif", 2)
        assert process.wait(timeout=60) == 1
    finally:
        process.kill()
        process.wait()
    last = (tmp_path / "said").read_text()
    assert "Traceback" not in last
    assert "read-only" in last.lower() or "readonly" in last.lower()
    assert "is lost" in last
    disk.unmount()
    disk.mount()
    assert ask(studio, "sweep")[0] == 0
    assert set(states(jobs(studio))) == {"one.tif", "two.tif"}
    proved(studio, tmp_path)


@pytest.mark.root
@pytest.mark.fault(47)
def test_a_log_that_cannot_be_written_stops_nothing(tmp_path: Path, profile: bytes) -> None:
    """The disk of the log is full: the work goes on, and the log says later what it missed."""
    root, at = tmp_path / "studio", tmp_path / "logs"
    make_studio(root, profile)
    at.mkdir()
    subprocess.run(["mount", "-t", "tmpfs", "-o", "size=64k", "tmpfs", str(at)], check=True)
    try:
        (at / "ballast").write_bytes(bytes(64 << 10))
        with (at / "log").open("ab") as log:
            process = subprocess.Popen(
                [str(PLATEMARK), "--studio", str(root), "--log", "json", "run"], stderr=log
            )
        try:
            shutil.move(_picture_at(tmp_path), root / "hot/small-rag/2x3in/one.tif")
            wait_for(root, lambda rows: states(rows) == {"one.tif": "rendered"})
            assert (at / "log").stat().st_size == 0
            (at / "ballast").unlink()
            process.send_signal(signal.SIGTERM)
            assert process.wait(timeout=30) == 0
        finally:
            process.kill()
            process.wait()
        assert '"lost_before": ' in (at / "log").read_text()
    finally:
        subprocess.run(["umount", "--lazy", str(at)], check=True)
    assert ask(root, "ledger", "verify")[0] == 0


@pytest.mark.long
@pytest.mark.fault(47)
def test_a_reader_of_the_log_that_goes_away_stops_nothing(tmp_path: Path, profile: bytes) -> None:
    """Whoever read the log ends: the service does not."""
    root = tmp_path / "studio"
    make_studio(root, profile)
    process = subprocess.Popen(
        [str(PLATEMARK), "--studio", str(root), "--log", "json", "run"], stderr=subprocess.PIPE
    )
    try:
        assert process.stderr is not None
        process.stderr.close()
        shutil.move(_picture_at(tmp_path), root / "hot/small-rag/2x3in/one.tif")
        wait_for(root, lambda rows: states(rows) == {"one.tif": "rendered"})
        process.send_signal(signal.SIGTERM)
        assert process.wait(timeout=30) == 0
    finally:
        process.kill()
        process.wait()


def _picture_at(folder: Path) -> Path:
    srgb = build_matrix_profile("srgb")
    tifffile.imwrite(folder / "made.tif", picture(200, 300, 1), photometric="rgb", iccprofile=srgb)
    return folder / "made.tif"
