"""Opens what was dropped without following a link, and lets it go into `taken/`."""

from __future__ import annotations

import errno
import fcntl
import os
import signal
import stat
import sys
from collections.abc import Iterator
from contextlib import ExitStack, contextmanager, suppress
from pathlib import Path

from platemark import durable
from platemark.intake.names import split_extension
from platemark.model.errors import DiskFault
from platemark.model.job import job_number

TAKEN = "taken"
"""The folder in each surface's hot folder that drops are let go into; never scanned."""

LONGEST_NAME = 255
"""Bytes of a file name (Linux and most of its file systems)."""
_NAMES_TRIED = 1000
OPEN_FOLDER = os.O_RDONLY | os.O_DIRECTORY | os.O_NOFOLLOW


class NotAPlainFile(OSError):
    """A link, a pipe, a device, or a file with a second name: it cannot be taken safely."""


def open_drop(root: Path, relative: bytes) -> int:
    """Open a file under the hot root for reading, following no link on the way below the root.

    Args:
        root: The hot folders' root.
        relative: The file's path under it.

    Returns:
        A descriptor, which the caller closes.

    Raises:
        FileNotFoundError: it is gone, or a folder on the way is.
        NotADirectoryError: something on the way is a link or a file.
        NotAPlainFile: it is a link, a pipe, a device or a socket, or has more than one name.
        ValueError: the path leaves the root.
        OSError: it may not be read, or the disk refuses.
    """
    return _open_below(root, _parts(relative))


def open_sheet(root: Path, relative: bytes) -> int:
    """Open an order sheet as `open_drop` opens a drop; it may lie in the hot root itself."""
    return _open_below(root, _parts(relative, least=1))


def is_being_written(descriptor: int) -> bool:
    """Whether another program is known to have an open file open for writing.

    False where the system does not say: on shares, and for files of other users. Linux says it by
    refusing a lease (fcntl(2), F_SETLEASE), which is given back at once.
    """
    if sys.platform != "linux":
        return False
    try:
        # Should somebody open it in just that moment, this signal does no harm, and SIGIO would.
        fcntl.fcntl(descriptor, fcntl.F_SETSIG, signal.SIGURG)
        fcntl.fcntl(descriptor, fcntl.F_SETLEASE, fcntl.F_RDLCK)
    except OSError as error:
        return error.errno == errno.EAGAIN
    with suppress(OSError):
        fcntl.fcntl(descriptor, fcntl.F_SETLEASE, fcntl.F_UNLCK)
    return False


def is_there(surface: Path, device: int) -> bool:
    """Whether a surface's hot folder is what it was, and not an empty mount point.

    It is on the same device, or, where a share that was connected anew has another number, has our
    own folder in it: what an unmounted share leaves behind is empty.
    """
    try:
        return surface.stat().st_dev == device or (surface / TAKEN).is_dir()
    except OSError:
        return False


def _open_below(root: Path, parts: list[bytes]) -> int:
    *folders, name = parts
    relative = b"/".join(parts)
    at = os.open(root, os.O_RDONLY | os.O_DIRECTORY)
    try:
        for folder in folders:
            below = os.open(folder, OPEN_FOLDER, dir_fd=at)
            os.close(at)
            at = below
        # Opening a device can already do something, so it is looked at before.
        _plain(os.stat(name, dir_fd=at, follow_symlinks=False), relative)
        descriptor = os.open(name, os.O_RDONLY | os.O_NOFOLLOW | os.O_NONBLOCK, dir_fd=at)
    finally:
        os.close(at)
    try:
        _plain(os.fstat(descriptor), relative)
    except NotAPlainFile:
        os.close(descriptor)
        raise
    return descriptor


def taken_path(root: Path, surface: str, job: int, name: bytes) -> Path:
    """Where a drop is let go to: `taken/000123-<name>` in its surface's hot folder.

    A name that would be too long loses the end of its stem, never its extension.
    """
    return root / surface / TAKEN / os.fsdecode(_fitting(f"{job_number(job)}-".encode(), name, b""))


def let_go(root: Path, relative: bytes, job: int) -> Path:
    """Move a drop, or its sidecar, to `taken/` on its own volume.

    Args:
        root: The hot folders' root.
        relative: The file's path under it.
        job: The job that was made of it.

    Returns:
        Where it is now: `taken_path`, or the same with `-2` and so on where that name was taken.

    Raises:
        FileNotFoundError: it is gone already.
        DiskFault: `taken` is no folder, or the disk refuses.
        ValueError: the path leaves the root.
    """
    parts = _parts(relative)
    target = _move_to_taken(root, parts, parts[:1], f"{job_number(job)}-".encode())
    if target is None:
        raise DiskFault(
            f"{TAKEN} in {os.fsdecode(parts[0])} holds too many files of job {job_number(job)}.",
            "The file stays where it was dropped. Move some of the others elsewhere.",
        )
    return target


def sheet_taken_path(root: Path, relative: bytes, number: int) -> Path:
    """Where an order sheet is let go to: `taken/sheet-000123-<name>`.

    `taken` is that of the sheet's surface; for a sheet in the hot root itself, the root's.

    Args:
        root: The hot folders' root.
        relative: The sheet's path under it.
        number: Of the entry that says that it was read.
    """
    *folders, name = _parts(relative, least=1)
    at = root / os.fsdecode(folders[0]) if folders else root
    return at / TAKEN / os.fsdecode(_fitting(_sheet_front(number), name, b""))


def let_sheet_go(root: Path, relative: bytes, number: int) -> Path:
    """Move an order sheet to `taken/` on its own volume, as `let_go` moves a drop.

    Returns:
        Where it is now: `sheet_taken_path`, or the same with `-2` and so on.

    Raises:
        FileNotFoundError: it is gone already.
        DiskFault: `taken` is no folder, or the disk refuses.
        ValueError: the path leaves the root.
    """
    parts = _parts(relative, least=1)
    target = _move_to_taken(root, parts, parts[:-1][:1], _sheet_front(number))
    if target is None:
        raise DiskFault(
            f"{TAKEN} holds too many order sheets.",
            "The sheet stays where it was dropped. Move some of the others elsewhere.",
        )
    return target


def _sheet_front(number: int) -> bytes:
    return b"sheet-%06d-" % number


def _move_to_taken(
    root: Path, parts: list[bytes], beside: list[bytes], front: bytes
) -> Path | None:
    """Move a file to the `taken` in the root or in its first folder; None where no name is free."""
    *folders, name = parts
    with ExitStack() as stack:
        path = [stack.enter_context(opened(os.open(root, os.O_RDONLY | os.O_DIRECTORY)))]
        for folder in folders:
            below = os.open(folder, OPEN_FOLDER, dir_fd=path[-1])
            path.append(stack.enter_context(opened(below)))
        os.stat(name, dir_fd=path[-1], follow_symlinks=False)
        at = root.joinpath(*map(os.fsdecode, beside))
        taken = stack.enter_context(opened(_taken_folder(at, path[len(beside)])))
        source = root / os.fsdecode(b"/".join(parts))
        for number in range(1, _NAMES_TRIED):
            again = b"" if number == 1 else b"-%d" % number
            target = at / TAKEN / os.fsdecode(_fitting(front, name, again))
            try:
                durable.publish_at(path[-1], source, taken, target)
            except durable.AlreadyThere:
                continue
            return target
    return None


def _taken_folder(beside: Path, beside_folder: int) -> int:
    """Open the `taken` in a folder, which is made if it is missing; never a link."""
    folder = beside / TAKEN
    try:
        if not os.path.lexists(folder):
            durable.make_folder(folder)
        return os.open(TAKEN, OPEN_FOLDER, dir_fd=beside_folder)
    except NotADirectoryError as error:
        raise DiskFault(
            f"{folder} is not a folder, so nothing can be moved there.",
            "Remove or rename it; Platemark makes the folder itself.",
        ) from error


@contextmanager
def folder_below(base: Path, relative: bytes) -> Iterator[int]:
    """The open folder that a path below another leads to, with no link on the way.

    Args:
        base: The folder that the path begins at; it may be reached by links.
        relative: The path of a file or folder; its last part is not looked at.

    Raises:
        OSError: something on the way is a link or a file, or is not there.
    """
    parts = relative.split(b"/")
    if any(part in (b"", b".", b"..") for part in parts):
        raise OSError("a path that leaves its folder")
    with ExitStack() as stack:
        at = stack.enter_context(opened(os.open(base, os.O_RDONLY | os.O_DIRECTORY)))
        for part in parts[:-1]:
            at = stack.enter_context(opened(os.open(part, OPEN_FOLDER, dir_fd=at)))
        yield at


@contextmanager
def opened(descriptor: int) -> Iterator[int]:
    """Close an open folder or file at the end of the block."""
    try:
        yield descriptor
    finally:
        os.close(descriptor)


def _parts(relative: bytes, least: int = 2) -> list[bytes]:
    parts = relative.split(b"/")
    if len(parts) < least or any(part in (b"", b".", b"..") or b"\0" in part for part in parts):
        raise ValueError(f"{relative!r} is no path of a drop")
    return parts


def _plain(status: os.stat_result, relative: bytes) -> None:
    if not stat.S_ISREG(status.st_mode):
        raise NotAPlainFile(errno.EINVAL, "it is not an ordinary file", os.fsdecode(relative))
    if status.st_nlink != 1:
        raise NotAPlainFile(errno.EMLINK, "it has more than one name", os.fsdecode(relative))


def _fitting(front: bytes, name: bytes, back: bytes) -> bytes:
    """`front`, the name's stem, `back` and its extension, in as many bytes as a name may have."""
    stem, extension = split_extension(name)
    room = LONGEST_NAME - len(front) - len(back) - len(extension)
    if len(stem) > room:
        cut = stem[:room]
        try:
            stem.decode("utf-8")
        except UnicodeDecodeError:
            stem = cut
        else:
            # Half a sign at the end would make a readable name an unreadable one.
            stem = cut.decode("utf-8", "ignore").encode("utf-8")
    return front + stem + back + extension
