"""Disks as other programs and the manual describe them."""

import os
import subprocess
import sys
from pathlib import Path

import pytest

from platemark.intake.mounts import (
    UNKNOWN,
    _in_mount_listing,
    _in_mountinfo,
    file_system_of,
    is_network,
    same_volume,
)

ON_LINUX = pytest.mark.skipif(sys.platform != "linux", reason="tells of Linux")


def run(*command: str) -> str:
    """What a program says."""
    return subprocess.run(command, capture_output=True, text=True, check=True).stdout


@ON_LINUX
@pytest.mark.parametrize("path", ["/", "/proc", "/dev", "/dev/shm", "/sys", "/tmp"])
def test_the_type_is_the_one_that_df_tells(path: str) -> None:
    """GNU coreutils (df) names the same file system for each of the usual mounts."""
    if not Path(path).is_dir():
        pytest.skip(f"there is no {path}")
    assert file_system_of(Path(path)) == run("df", "--output=fstype", path).split()[-1]


@ON_LINUX
def test_a_path_that_is_not_there_is_judged_by_the_folder_above(tmp_path: Path) -> None:
    """A folder that is still to be made is on the disk that it will be made on."""
    assert file_system_of(tmp_path / "a/b/c") == file_system_of(tmp_path) != UNKNOWN


@ON_LINUX
def test_no_kernel_file_system_of_this_computer_is_a_share() -> None:
    """The usual local mounts are not taken for network shares."""
    for path in ("/proc", "/dev", "/sys"):
        assert not is_network(Path(path))


def test_the_example_of_the_manual_is_read() -> None:
    """The line that proc(5) explains gives the mount's type, optional fields or not."""
    line = b"36 35 98:0 /mnt1 /mnt2 rw,noatime master:1 - ext3 /dev/root rw,errors=continue\n"
    bare = line.replace(b" master:1", b"")
    for listing in (line, bare, b"35 1 8:1 / / rw - xfs /dev/sda1 rw\n" + line):
        mount = _in_mountinfo(listing, "36")
        assert mount is not None
        assert mount.kind == "ext3"
    assert _in_mountinfo(line, "35") is None


def test_a_listing_of_macos_is_read() -> None:
    """The form of macOS's mount(8) is from memory; the nearest mount point above a path counts."""
    listing = (
        "/dev/disk3s1s1 on / (apfs, sealed, local, read-only, journaled)\n"
        "//mira@nas/pictures on /Volumes/pictures (smbfs, nodev, nosuid, mounted by mira)\n"
        "map auto_home on /System/Volumes/Data/home (autofs, automounted, nobrowse)\n"
    )
    kinds = {
        path: mount.kind if (mount := _in_mount_listing(listing, Path(path))) else None
        for path in ("/Users/mira", "/Volumes/pictures/hot", "/Volumes/pictures2")
    }
    assert kinds == {
        "/Users/mira": "apfs", "/Volumes/pictures/hot": "smbfs", "/Volumes/pictures2": "apfs",
    }  # fmt: skip


def test_one_volume_is_told_from_two(tmp_path: Path) -> None:
    """A rename works exactly where the paths are said to be on one volume."""
    (tmp_path / "a/b").mkdir(parents=True)
    assert same_volume(tmp_path, tmp_path / "a", tmp_path / "a/b/not yet there")
    other = Path("/dev/shm")
    if not other.is_dir() or not os.access(other, os.W_OK):
        pytest.skip("there is no second volume at /dev/shm")
    (tmp_path / "file").touch()
    try:
        (tmp_path / "file").rename(other / f"platemark-{os.getpid()}")
    except OSError:
        renamed = False
    else:
        renamed = True
        (other / f"platemark-{os.getpid()}").unlink()
    assert same_volume(tmp_path, other) == renamed


@ON_LINUX
def test_a_folder_mounted_twice_is_two_volumes(tmp_path: Path) -> None:
    """No rename goes across a bind mount, although the device number is the same."""
    for name in ("a", "b"):
        (tmp_path / name).mkdir()
    script = (
        "mount --bind a b && exec "
        f"{sys.executable} -c 'from pathlib import Path; from platemark.intake.mounts import *; "
        'print(Path("a").stat().st_dev == Path("b").stat().st_dev, '
        'same_volume(Path("a"), Path("b")))\''
    )
    done = subprocess.run(
        ["unshare", "--mount", "sh", "-c", script],
        cwd=tmp_path, capture_output=True, text=True, check=False,
        env={**os.environ, "PYTHONPATH": os.pathsep.join(sys.path)},
    )  # fmt: skip
    if "ermission denied" in done.stderr or "not permitted" in done.stderr:
        pytest.skip("mounting is not allowed here")
    assert done.stdout.split() == ["True", "False"], done.stderr
