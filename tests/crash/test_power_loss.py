"""Power that really fails under a real file system: what reached the disk is all that is left.

The studio is on an ext4 image. While the service runs it is frozen and the image file is copied;
the copy has what the file system had sent to its disk, in that order, and nothing that was only in
memory. It is mounted in the other's place, which plays the file system's own journal back, and the
service goes on there. What a disk itself forgets from its cache, or writes in another order than it
was told, is not modelled; other file systems than ext4 are not tried.
"""

import os
import random
import shutil
import signal
import subprocess
import sys
import time
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path

import pytest

sys.path.insert(0, str(Path(__file__).parent))

from harness import Result, drive, drop_pictures, make_studio, printer_profile, result
from test_kills import descendants

PLATEMARK = Path(sys.executable).with_name("platemark")
MB = 400
"""Of which the service keeps 256 for the record; most of it is never written."""
CUTS = 12
SEED = 20261127

pytestmark = [pytest.mark.root, pytest.mark.tool("mkfs.ext4"), pytest.mark.long]


@pytest.fixture(scope="session")
def template(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """An image of a studio with pictures in its hot folder, all of it on the disk."""
    folder = tmp_path_factory.mktemp("image")
    image = folder / "image"
    with image.open("wb") as file:
        file.truncate(MB << 20)
    made = ["mkfs.ext4", "-q", "-E", "lazy_itable_init=0,lazy_journal_init=0", str(image)]
    subprocess.run(made, check=True)
    with mounted(image, folder / "disk") as disk:
        root = disk / "studio"
        make_studio(root, printer_profile())
        assert drive(root, 0, folder / "log") == 0
        drop_pictures(root)
    return image


@pytest.fixture(scope="session")
def memory(tmp_path_factory: pytest.TempPathFactory) -> str:
    """What children made."""
    return str(tmp_path_factory.mktemp("memory"))


@contextmanager
def mounted(image: Path, at: Path) -> Iterator[Path]:
    """An image as a disk; the file system's own clock syncs nothing in so short a time."""
    at.mkdir(exist_ok=True)
    subprocess.run(["mount", "-o", "loop,commit=300", str(image), str(at)], check=True)
    try:
        yield at
    finally:
        subprocess.run(["umount", str(at)], check=True)


def copied(image: Path, to: Path) -> Path:
    """A copy of an image file; what was never written takes no room."""
    subprocess.run(["cp", "--sparse=always", str(image), str(to)], check=True)
    return to


def frozen(pids: list[int]) -> None:
    """Stop processes and wait until each of their threads has stopped, whatever it was at."""
    for pid in pids:
        with suppress(ProcessLookupError):
            os.kill(pid, signal.SIGSTOP)
    deadline = time.monotonic() + 10
    while not all(_stands(pid) for pid in pids):
        assert time.monotonic() < deadline
        time.sleep(0.001)


def _has_ended(pid: int) -> bool:
    return Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split()[0] in "ZX"


def _stands(pid: int) -> bool:
    for task in Path(f"/proc/{pid}/task").glob("*/stat"):
        with suppress(OSError):
            if task.read_text().rpartition(")")[2].split()[0] not in "TtZX":
                return False
    return True


@pytest.fixture(scope="session")
def undisturbed(template: Path, tmp_path_factory: pytest.TempPathFactory, memory: str) -> Result:
    folder = tmp_path_factory.mktemp("undisturbed")
    with mounted(copied(template, folder / "image"), folder / "disk") as disk:
        assert drive(disk / "studio", 0, folder / "log", memory=memory) == 0
        return result(disk / "studio")


@pytest.mark.fault(3)
def test_after_a_power_cut_everything_goes_on_from_what_the_disk_has(
    template: Path, undisturbed: Result, memory: str, tmp_path: Path
) -> None:
    """Cut at random times of a real sweep, the studio comes to what it comes to undisturbed."""
    chance = random.Random(SEED)
    print(f"seed {SEED}")
    in_the_middle = 0
    for number in range(CUTS):
        (folder := tmp_path / str(number)).mkdir()
        with mounted(copied(template, folder / "image"), folder / "disk") as disk:
            command = [str(PLATEMARK), "--studio", str(disk / "studio"), "sweep"]
            sweep = subprocess.Popen(command, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)
            try:
                time.sleep(chance.uniform(0.5, 6))
                # Nobody asks for its end until it is frozen: its number stays its own.
                frozen([sweep.pid, *descendants(sweep.pid)])
                in_the_middle += not _has_ended(sweep.pid)
                after = copied(folder / "image", folder / "after")
            finally:
                for pid in (*descendants(sweep.pid), sweep.pid):
                    with suppress(ProcessLookupError):
                        os.kill(pid, signal.SIGKILL)
                sweep.wait()
        with mounted(after, folder / "disk") as disk:
            _goes_on(disk / "studio", undisturbed, memory)
        shutil.rmtree(folder)
    print(f"{CUTS} cuts, {in_the_middle} of them before its end: no violation")
    assert in_the_middle


@pytest.mark.fault(3)
def test_control_without_syncs_a_power_cut_loses_what_counts(
    template: Path, undisturbed: Result, memory: str, tmp_path: Path
) -> None:
    """A program that syncs only its record is found out: its files are not what that says."""
    with mounted(copied(template, tmp_path / "image"), tmp_path / "disk") as disk:
        how = {"memory": memory, "omit": "skip-file"}
        assert drive(disk / "studio", 0, tmp_path / "log", **how) == 0
        after = copied(tmp_path / "image", tmp_path / "after")
    with mounted(after, tmp_path / "disk") as disk, pytest.raises(AssertionError):
        _goes_on(disk / "studio", undisturbed, memory)


def _goes_on(root: Path, undisturbed: Result, memory: str) -> None:
    assert drive(root, 0, root.parent / "log", memory=memory) == 0
    assert result(root) == undisturbed
