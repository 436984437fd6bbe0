"""What kind of disk a folder is on: a local one, or somebody else's across a network.

Linux tells exactly (`/proc/self/mountinfo`, proc(5)). On macOS the listing of `/sbin/mount` is
read; that is written from memory of its form and untested. Elsewhere the answer is `unknown`,
which counts as local.
"""

from __future__ import annotations

import os
import re
import subprocess
import sys
from dataclasses import dataclass
from pathlib import Path

UNKNOWN = "unknown"

# File systems whose other users change files without the kernel of this computer knowing, so that
# no event comes, and whose promises about syncing are not ours to rely on.
_NETWORK = frozenset(
    {
        "9p",
        "afpfs",
        "afs",
        "autofs",
        "beegfs",
        "ceph",
        "cifs",
        "coda",
        "davfs",
        "drvfs",
        "fuse",
        "glusterfs",
        "gpfs",
        "lustre",
        "ncpfs",
        "nfs",
        "nfs4",
        "ocfs2",
        "prl_fs",
        "smb3",
        "smbfs",
        "vboxsf",
        "virtiofs",
        "vmhgfs",
        "webdav",
    }
)
_MOUNT_LINE = re.compile(r"^.+? on (?P<point>/.*) \((?P<kind>[A-Za-z0-9_.]+)[,)]")
_MAC_LISTING_S = 10
_OCTAL = re.compile(rb"\\([0-7]{3})")
"""How a space, a tab and the like stand in mountinfo (proc(5))."""


@dataclass(frozen=True, slots=True)
class _Mount:
    """One mount: what it is known by, and its file system type."""

    mark: str
    kind: str


def file_system_of(path: Path) -> str:
    """The type of file system that a path is on, such as `ext4` or `nfs4`; else `unknown`.

    A path that does not exist yet is judged by the nearest folder above it that does.
    """
    mount = _mount_of(_nearest(path))
    return mount.kind if mount is not None else UNKNOWN


def is_network(path: Path) -> bool:
    """Whether a path is on a share, or on a file system that behaves like one."""
    return is_network_kind(file_system_of(path))


def mounted_below(folder: Path) -> dict[bytes, str]:
    """What is mounted below a folder: paths from it, with the type of each file system.

    What is mounted there is not touched, so it may be a share that does not answer; the folder
    itself is. Nothing where the system does not tell (other than Linux).
    """
    try:
        listing = Path("/proc/self/mountinfo").read_bytes()
    except OSError:
        return {}
    top = os.path.realpath(os.fsencode(folder))
    found = {}
    for line in listing.splitlines():
        front, dash, back = line.partition(b" - ")
        point = _OCTAL.sub(lambda each: bytes([int(each[1], 8)]), front.split(b" ")[4])
        if dash and point.startswith(top.rstrip(b"/") + b"/"):
            kind = back.split(b" ", 1)[0].decode("utf-8", "replace")
            found[point[len(top.rstrip(b"/")) + 1 :]] = kind
    return found


def is_network_kind(kind: str) -> bool:
    """Whether a type of file system is that of a share, or behaves like one.

    File systems that a program provides (`fuse`, `fuse.…`) count as shares: most of them are.
    """
    return kind in _NETWORK or kind.startswith("fuse.")


def same_volume(*paths: Path) -> bool:
    """Whether a file can be renamed from any of the paths to any other.

    Raises:
        OSError: the disk does not say.
    """
    found = [_nearest(path) for path in paths]
    # A folder that is mounted twice has one device number, and still no rename goes across.
    marks = {
        (path.stat().st_dev, mount.mark if (mount := _mount_of(path)) else "") for path in found
    }
    return len(marks) <= 1


def _nearest(path: Path) -> Path:
    at = path.absolute()
    while not at.exists() and at != at.parent:
        at = at.parent
    return at


def _mount_of(path: Path) -> _Mount | None:
    if sys.platform == "linux":
        return _linux_mount(path)
    if sys.platform == "darwin":
        return _mac_mount(path)
    return None


def _linux_mount(path: Path) -> _Mount | None:
    # The kernel itself names the mount of an open file; comparing paths goes wrong where one mount
    # hides another. The slash at the end makes an automounter mount what it stands for.
    text = f"{path}/" if path.is_dir() else str(path)
    try:
        descriptor = os.open(text, os.O_PATH | os.O_CLOEXEC)
        try:
            told = Path(f"/proc/self/fdinfo/{descriptor}").read_text("ascii")
        finally:
            os.close(descriptor)
        listing = Path("/proc/self/mountinfo").read_bytes()
    except OSError:
        return None
    number = re.search(r"^mnt_id:\s*([0-9]+)$", told, re.MULTILINE)
    return _in_mountinfo(listing, number[1]) if number is not None else None


def _in_mountinfo(listing: bytes, number: str) -> _Mount | None:
    """The mount of that number; after ` - ` stands its type (proc(5), mountinfo)."""
    for line in listing.decode("utf-8", "replace").splitlines():
        front, dash, back = line.partition(" - ")
        if dash and front.split(" ", 1)[0] == number:
            return _Mount(number, back.split(" ", 1)[0])
    return None


def _mac_mount(path: Path) -> _Mount | None:
    try:
        told = subprocess.run(
            ["/sbin/mount"], capture_output=True, check=True, timeout=_MAC_LISTING_S
        )
    except (OSError, subprocess.SubprocessError):
        return None
    return _in_mount_listing(told.stdout.decode("utf-8", "replace"), path.resolve())


def _in_mount_listing(listing: str, path: Path) -> _Mount | None:
    """The nearest mount point above a path, from lines `WHAT on POINT (TYPE, …)`."""
    found: _Mount | None = None
    for line in listing.splitlines():
        match = _MOUNT_LINE.match(line)
        if match is None or not path.is_relative_to(match["point"]):
            continue
        if found is None or len(match["point"]) >= len(found.mark):
            found = _Mount(match["point"], match["kind"])
    return found
