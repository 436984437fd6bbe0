"""The world fails while the service runs: a child is killed, a disk fills, a folder goes away."""

import io
import os
import shutil
import signal
import subprocess
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest
import tifffile
from at_work import PLATEMARK, ask, jobs, states, wait_for
from harness import make_studio, picture

from loaded import Loaded
from platemark.app.open_studio import open_studio
from platemark.imaging.icc import build_matrix_profile

Start = Callable[[], Loaded]
DISK_MB = 700


def children_of(process: int) -> list[tuple[int, str]]:
    """Processes that a process started, with the words of their commands."""
    found = []
    for folder in Path("/proc").glob("[0-9]*"):
        try:
            parent = int((folder / "stat").read_text().rpartition(")")[2].split()[1])
            words = (folder / "cmdline").read_bytes().replace(b"\0", b" ").decode()
        except (FileNotFoundError, ProcessLookupError):
            continue
        if parent == process:
            found.append((int(folder.name), words))
    return found


def drop(folder: Path, name: str, width: int, height: int) -> None:
    """Drop a good picture; one of 3000 × 4500 px takes the service some seconds."""
    made = io.BytesIO()
    srgb = build_matrix_profile("srgb")
    tifffile.imwrite(made, picture(width, height, 3), photometric="rgb", iccprofile=srgb)
    (folder / name).write_bytes(made.getvalue())


def end_one_child(service: int) -> None:
    """Wait for a child process that works on a picture, and end it as the kernel would."""
    deadline = time.monotonic() + 60
    while time.monotonic() < deadline:
        for child, words in children_of(service):
            # A fork of what was loaded before has the words of that.
            if "platemark.imaging.worker" in words or "loaded_main.py" in words:
                os.kill(child, signal.SIGKILL)
                # It is there until its memory is given back; the next call must not find it again.
                while any(child == other for other, _ in children_of(service)):
                    time.sleep(0.002)
                return
        time.sleep(0.005)
    raise AssertionError("no child process was seen")


def test_a_killed_child_costs_one_attempt(studio: Path, started: Start) -> None:
    """A child that is killed from outside is tried once more; its picture comes out once."""
    shutil.rmtree(studio / "hot/small-rag/2x3in")
    (studio / "hot/small-rag/2x3in").mkdir()
    drop(studio / "hot/small-rag/2x3in", "large.tif", 3000, 4500)
    process = started()
    wait_for(studio, lambda rows: len(rows) == 1)
    end_one_child(process.pid)
    wait_for(studio, lambda rows: states(rows) == {"large.tif": "rendered"})
    log = ask(studio, "ledger", "show")[1]
    assert log.count("rendered") == 1
    process.send_signal(signal.SIGTERM)
    assert process.wait(timeout=60) == 0
    assert ask(studio, "ledger", "verify")[0] == 0


def _rests(studio: Path, rows: list[dict[str, Any]]) -> bool:
    """Whether one picture is rendered and the other held, its drawing made: no child is at work."""
    drawn = any((studio / "held").glob("*/*/WHY.html"))
    return drawn and sorted(states(rows).values()) == ["held", "rendered"]


def test_a_picture_that_kills_twice_is_held(studio: Path, started: Start) -> None:
    """After two ends the picture is held with a sentence; its neighbours go through."""
    hot = studio / "hot/small-rag/2x3in"
    process = started()
    wait_for(studio, lambda rows: _rests(studio, rows))
    drop(hot, "large.tif", 3000, 4500)
    wait_for(studio, lambda rows: len(rows) == 3)
    end_one_child(process.pid)
    end_one_child(process.pid)
    drop(hot, "next.tif", 200, 300)
    found = wait_for(studio, lambda rows: states(rows).get("next.tif") == "rendered")
    held = next(job for job in found if job["original_name"] == "large.tif")
    assert held["state"] == "held"
    assert [finding["code"] for finding in held["findings"]] == ["file-stops-its-reader"]
    assert "stopped its reading process 2 times" in held["findings"][0]["message"]


@pytest.mark.fault(11)
def test_a_hot_folder_that_goes_away_and_comes_back(studio: Path, started: Start) -> None:
    """While hot/ is away nothing is decided; what came meanwhile is taken when it is back."""
    process = started()
    wait_for(studio, lambda rows: len(rows) == 2)
    away = studio / "hot-away"
    (studio / "hot").rename(away)
    time.sleep(3)
    assert process.poll() is None
    drop(away / "small-rag/2x3in", "late.tif", 200, 300)
    away.rename(studio / "hot")
    found = wait_for(
        studio,
        lambda rows: (
            states(rows) == {"good.tif": "rendered", "untagged.tif": "held", "late.tif": "rendered"}
        ),
    )
    assert len(found) == 3
    assert process.poll() is None
    assert ask(studio, "ledger", "verify")[0] == 0


@pytest.fixture
def small_disk(tmp_path: Path) -> Iterator[tuple[Path, int]]:
    """A disk of 700 MB that only one process and its children see, and that process."""
    at = tmp_path / "disk"
    at.mkdir()
    script = f"mount -t tmpfs -o size={DISK_MB}m tmpfs {at} && exec sleep 600"
    keeper = subprocess.Popen(
        ["unshare", "--user", "--map-root-user", "--mount", "sh", "-c", script]
    )
    inside = Path(f"/proc/{keeper.pid}/root{at}")
    deadline = time.monotonic() + 10
    while not inside.is_mount() and time.monotonic() < deadline:
        assert keeper.poll() is None, "this system gives no disk of its own to a test"
        time.sleep(0.05)
    yield inside, keeper.pid
    keeper.kill()
    keeper.wait()


@pytest.mark.tool("unshare")
@pytest.mark.fault(5)
def test_a_full_disk_waits_for_room(
    small_disk: tuple[Path, int], profile: bytes, tmp_path: Path
) -> None:
    """Without room nothing is lost or half done; with room again the service goes on by itself."""
    disk, keeper = small_disk
    make_studio(disk / "studio", profile)
    studio, log = tmp_path / "disk/studio", tmp_path / "log"
    within = ["nsenter", "--preserve-credentials", "--user", "--mount", "--target", str(keeper)]
    command = [*within, str(PLATEMARK), "--studio", str(studio), "--log", "json", "run"]
    with log.open("wb") as stream:
        process = subprocess.Popen(command, stderr=stream)
    waiting = disk / "studio/hot/WAITING.txt"

    def wait_until(right: Callable[[], bool]) -> None:
        deadline = time.monotonic() + 60
        while not right():
            assert time.monotonic() < deadline
            assert process.poll() is None
            time.sleep(0.2)

    try:
        wait_until(lambda: "started" in log.read_text() and waiting.exists())
        ballast = disk / "ballast"
        ballast.write_bytes(bytes(shutil.disk_usage(disk).free - 280 * 2**20))
        # It has 40 MB, so it would fit; what is kept free for the record would not be.
        drop(disk / "studio/hot/small-rag/2x3in", "large.tif", 3000, 4500)
        wait_until(lambda: "not room enough" in waiting.read_text())
        assert "Free some space; Platemark goes on by itself." in waiting.read_text()
        assert not jobs(studio, within)
        ballast.unlink()
        wait_for(studio, lambda rows: states(rows) == {"large.tif": "rendered"}, within)
        wait_until(lambda: "not room enough" not in waiting.read_text())
        assert ask(studio, "ledger", "verify", within=within)[0] == 0
    finally:
        process.kill()
        process.wait()


@pytest.mark.root
@pytest.mark.fault(8)
def test_more_changes_than_the_system_tells(studio: Path, started: Start) -> None:
    """Stopped while far more happens than the system keeps for it, every file is found."""
    limit = Path("/proc/sys/fs/inotify/max_queued_events")
    before = limit.read_text()
    limit.write_text("16")
    try:
        process = started()
        wait_for(studio, lambda rows: sorted(states(rows).values()) == ["held", "rendered"])
    finally:
        limit.write_text(before)
    process.send_signal(signal.SIGSTOP)
    for number in range(60):
        folder = studio / f"hot/small-rag/new {number % 20}"
        folder.mkdir(exist_ok=True)
        (folder / f"{number}_2x3in.tif").write_bytes(b"no picture %d" % number)
    process.send_signal(signal.SIGCONT)
    wait_for(studio, lambda rows: len(rows) == 62)
    process.send_signal(signal.SIGTERM)
    assert process.wait(timeout=60) == 0
    assert ask(studio, "ledger", "verify")[0] == 0


@pytest.mark.long
@pytest.mark.root
@pytest.mark.fault(13)
def test_an_empty_folder_over_the_hot_folders(studio: Path, tmp_path: Path, started: Start) -> None:
    """Something else is mounted over them, as by an unmounted share: nothing counts as gone.

    Neither while the service runs, nor where it starts so.
    """
    process = started()
    wait_for(studio, lambda rows: len(rows) == 2)
    empty, hot = tmp_path / "empty", studio / "hot"
    empty.mkdir()
    for again in (False, True):
        subprocess.run(["mount", "--bind", str(empty), str(hot)], check=True)
        try:
            if again:
                process.send_signal(signal.SIGTERM)
                assert process.wait(timeout=60) == 0
                process = started()
            note = studio / "held/WAITING.txt"
            deadline = time.monotonic() + 30
            while not note.exists():
                assert time.monotonic() < deadline
                time.sleep(0.1)
            assert "not connected" in note.read_text()
            assert process.poll() is None
        finally:
            subprocess.run(["umount", "--lazy", str(hot)], check=True)
        drop(hot / "small-rag/2x3in", f"late-{again}.tif", 220 + 20 * again, 330 + 30 * again)
        wait_for(studio, lambda rows: states(rows).get(f"late-{again}.tif") == "rendered")  # noqa: B023
        assert not note.exists()
    assert list(empty.iterdir()) == []
    log = ask(studio, "ledger", "show")[1]
    assert "vanished" not in log
    assert ask(studio, "ledger", "verify")[0] == 0


@pytest.mark.long
@pytest.mark.root
@pytest.mark.fault(11)
def test_a_drop_that_is_not_on_the_disk_that_came_back(studio: Path, tmp_path: Path) -> None:
    """Another device, and our own folder on it: what is missing there vanished, and is so told."""
    far = studio / "hot/small-rag"
    shutil.rmtree(far)
    far.mkdir()
    mount = ["mount", "-t", "tmpfs", "tmpfs", str(far)]
    subprocess.run(mount, check=True)
    try:
        (far / "2x3in").mkdir()
        drop(far / "2x3in", "one.tif", 200, 300)
        with open_studio(studio) as opened:
            while not opened.workshop.ledger.read.jobs():
                opened.dispatch.turn()
                time.sleep(0.02)
            opened.dispatch.stop()
    finally:
        subprocess.run(["umount", "--lazy", str(far)], check=True)
    with open_studio(studio) as opened:
        read = opened.workshop.ledger.read
        deadline = time.monotonic() + 60
        while [row.state for row in read.jobs()] != ["rendered"]:
            assert time.monotonic() < deadline
            opened.dispatch.turn()
            time.sleep(0.02)
        # The empty mount point says nothing.
        assert len(read.drops(here=True)) == 1
        subprocess.run(mount, check=True)
        try:
            (far / "taken").mkdir()
            while read.drops(here=True):
                assert time.monotonic() < deadline
                opened.dispatch.turn()
                time.sleep(0.02)
        finally:
            opened.dispatch.stop()
            subprocess.run(["umount", "--lazy", str(far)], check=True)
        assert [e.body["outcome"] for e in read.entries(kind="let-go")] == ["vanished"]


@pytest.mark.long
@pytest.mark.fault(43)
def test_a_lock_of_nobody_stops_nobody(studio: Path, started: Start, tmp_path: Path) -> None:
    """The lock's file alone is no lock: one left behind, one copied, or of a service that died."""
    (studio / ".lock").write_text("left behind")
    process = started()
    shutil.rmtree(studio / "hot/small-rag/2x3in")
    (studio / "hot/small-rag/2x3in").mkdir()
    drop(studio / "hot/small-rag/2x3in", "large.tif", 3000, 4500)
    wait_for(studio, lambda rows: len(rows) == 1)
    code, text = ask(studio, "sweep")
    assert code == 4
    assert "Another service has this studio" in text
    while not children_of(process.pid):
        time.sleep(0.01)
    process.kill()
    process.wait()
    copied = tmp_path / "copied"
    shutil.copytree(studio, copied)
    with open_studio(studio) as opened:
        assert ask(studio, "sweep")[0] == 4
        with open_studio(copied):
            pass
        opened.dispatch.stop()
    assert ask(studio, "ledger", "verify")[0] == 0
