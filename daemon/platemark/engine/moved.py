"""A studio that was moved whole to another disk: its claimed drops have other numbers there.

A drop that is claimed and still lies in its hot folder is known by inode, size and time, so that it
is not taken in twice. Where those changed with the disk, its content tells that it is the same.
"""

from __future__ import annotations

import os
import stat
from pathlib import Path

import structlog

from platemark.engine.archive_check import hash_from_disk
from platemark.engine.workshop import Workshop
from platemark.intake.mounts import is_network
from platemark.ledger.read import DropRow


def know_moved_drops(workshop: Workshop) -> int:
    """Know claimed drops again whose numbers have changed; gives how many.

    Hot folders that are not inside the studio did not move with it, and a share that hangs must
    not keep the service from starting, so those are left alone.
    """
    hot, root = workshop.folders.hot, workshop.folders.root
    if not hot.is_relative_to(root) or is_network(hot):
        return 0
    moved = 0
    for row in workshop.ledger.read.drops(here=True):
        now = _numbers_now(hot, row)
        if now is None or now == (row.device, row.inode, row.mtime_ns):
            continue
        with workshop.ledger.transaction() as transaction:
            body = dict(zip(("device", "inode", "mtime_ns"), now, strict=True))
            transaction.append("drop-moved", body, job=row.job)
        moved += 1
    if moved:
        structlog.get_logger().info("studio-moved", drops=moved)
    return moved


def _numbers_now(hot: Path, row: DropRow) -> tuple[int, int, int] | None:
    """Device, inode and time of a claimed drop as it lies there now; None for another file."""
    path = hot / os.fsdecode(bytes.fromhex(row.path_hex))
    try:
        found = path.lstat()
    except (FileNotFoundError, NotADirectoryError):
        return _gone(path.parent, row)
    except OSError:
        return None
    if (found.st_ino, found.st_mtime_ns) == (row.inode, row.mtime_ns):
        # The device alone is another number after many a restart, and is not compared.
        return found.st_dev, row.inode, row.mtime_ns
    if not stat.S_ISREG(found.st_mode) or found.st_size != row.size:
        return None
    try:
        sha256, _ = hash_from_disk(path)
    except OSError:
        return None
    return (found.st_dev, found.st_ino, found.st_mtime_ns) if sha256 == row.sha256 else None


def _gone(folder: Path, row: DropRow) -> tuple[int, int, int] | None:
    """What lay in a folder of the studio and is not there was taken away; that may be said now."""
    try:
        return folder.stat().st_dev, row.inode, row.mtime_ns
    except OSError:
        return None
