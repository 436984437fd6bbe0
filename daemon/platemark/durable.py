"""The only fsync, link, rename and replace: how bytes become lasting, and visible all at once.

Every operation that changes what survives a crash is announced to an observer before and after
it is done, so that a test can stop the process at any one of them.

Guarantees and their limits: a file is synced before it gets its final name, and the folder that
holds the name is synced after. On network shares a folder sync may do nothing; therefore all
lasting state is on one local volume, and only hot folders may be elsewhere.
"""

from __future__ import annotations

import contextlib
import ctypes
import errno
import fcntl
import hashlib
import os
import stat
import sys
import threading
from collections.abc import Callable, Iterator
from concurrent.futures import ThreadPoolExecutor
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from queue import SimpleQueue
from typing import Literal, Self

from platemark.model.errors import DiskFault, DiskFull, PlatemarkError

Moment = Literal["before", "after"]
Observer = Callable[[Moment, str, tuple[Path, ...]], None]

_CHUNK = 1 << 20
"""Larger ones do not stay in a processor's cache between reading, hashing and writing."""
_COPIED_AT_ONCE = 16 << 20
_RENAME_NOREPLACE = 1
_RENAME_EXCL = 4
_FICLONE = 0x40049409

_observer: Observer | None = None
_progress: Callable[[], None] | None = None


class AlreadyThere(Exception):
    """The name is taken; nothing was overwritten."""


class Changed(Exception):
    """The file was not the same after it had been read as before."""


@dataclass(frozen=True, slots=True)
class Copied:
    """What a copy read: its hash and its length."""

    sha256: str
    bytes: int


def observe(observer: Observer | None) -> None:
    """Announce every lasting operation to `observer`, or to nobody."""
    global _observer
    _observer = observer


def tell_progress(progress: Callable[[], None] | None) -> None:
    """Call `progress` whenever bytes were moved or made lasting, from the thread that did it."""
    global _progress
    _progress = progress


@contextmanager
def step(name: str, *paths: Path) -> Iterator[None]:
    """Announce one lasting operation, such as a commit, and translate what the disk says."""
    if _observer is not None:
        _observer("before", name, paths)
    try:
        yield
    except OSError as error:
        if error.errno == errno.EEXIST:
            raise
        raise translate(error, paths[0] if paths else Path()) from error
    if _observer is not None:
        _observer("after", name, paths)
    _moved()


def _moved() -> None:
    if _progress is not None:
        _progress()


def translate(error: OSError, path: Path) -> DiskFault | DiskFull:
    """Turn what the operating system says into a fault with a sentence and a hint."""
    if error.errno in (errno.ENOSPC, errno.EDQUOT, errno.EFBIG):
        return DiskFull(
            f"The disk has no room left for {path.name or 'the studio'}.",
            "Nothing is lost. Free some space; Platemark goes on by itself.",
        )
    fault = DiskFault(
        f"The disk refused {path}: {error.strerror or error}.",
        "Nothing that was archived is lost. Check the disk and the rights on that folder.",
    )
    fault.is_failing = error.errno in (errno.EIO, errno.EROFS)
    return fault


def is_full(folder: Path) -> bool:
    """Whether the disk of a folder takes no other byte, or no other file."""
    try:
        found = os.statvfs(folder)
    except OSError:
        return False
    # A file system that counts no entries tells zero of zero.
    return found.f_bavail == 0 or (found.f_files > 0 and found.f_favail == 0)


def sync_folder(folder: Path) -> None:
    """Make the names in a folder lasting."""
    with step("sync-folder", folder):
        descriptor = os.open(folder, os.O_RDONLY | getattr(os, "O_DIRECTORY", 0))
        try:
            _sync_folder(descriptor)
        finally:
            os.close(descriptor)


def sync_file(path: Path) -> None:
    """Make the bytes of a file lasting."""
    with step("sync-file", path):
        descriptor = os.open(path, os.O_RDONLY)
        try:
            _fsync(descriptor)
        finally:
            os.close(descriptor)


def make_folder(folder: Path) -> None:
    """Make a folder and every missing one above it, lasting."""
    missing = []
    at = folder
    while not at.exists():
        missing.append(at)
        at = at.parent
    for each in reversed(missing):
        with step("make-folder", each):
            each.mkdir(exist_ok=True)
        sync_folder(each.parent)


def write_new(path: Path, data: bytes, mode: int = 0o644) -> None:
    """Write a file that must not exist yet, and sync it; its name is not synced.

    Raises:
        FileExistsError: it exists.
    """
    with step("write", path):
        descriptor = os.open(path, os.O_WRONLY | os.O_CREAT | os.O_EXCL, mode)
        try:
            view = memoryview(data)
            while view:
                view = view[os.write(descriptor, view) :]
        finally:
            os.close(descriptor)
    sync_file(path)


def write_over(path: Path, data: bytes, scratch: Path) -> None:
    """Put a small file in place of one of ours, whole or not at all.

    Args:
        path: The file to replace or make.
        data: All of its bytes.
        scratch: A name on the same volume for the new bytes; an old one there is removed.
    """
    scratch.unlink(missing_ok=True)
    write_new(scratch, data)
    with step("replace", scratch, path):
        os.replace(scratch, path)
    sync_folder(path.parent)


def publish(source: Path, target: Path) -> None:
    """Give a synced file or folder its final name; never over an existing one.

    Raises:
        AlreadyThere: the name is taken.
    """
    try:
        with step("publish", source, target):
            _rename_noreplace(os.fsencode(source), os.fsencode(target))
    except FileExistsError as error:
        raise AlreadyThere(str(target)) from error
    sync_folder(target.parent)
    if source.parent != target.parent:
        sync_folder(source.parent)


def publish_at(folder: int, source: Path, target_folder: int, target: Path) -> None:
    """Give a file of somebody else's its new name between two open folders; never over another.

    Nobody can put a link in the way: only the last parts of both paths are names here, the rest
    is for the announcement.

    Args:
        folder: Descriptor of the folder that the file is in.
        source: The file.
        target_folder: Descriptor of the folder that it goes to.
        target: Its new path.

    Raises:
        AlreadyThere: the name is taken.
    """
    try:
        with step("publish", source, target):
            old, new = os.fsencode(source.name), os.fsencode(target.name)
            _rename_noreplace(old, new, folder, target_folder)
    except FileExistsError as error:
        raise AlreadyThere(str(target)) from error
    for descriptor, path in ((target_folder, target.parent), (folder, source.parent)):
        with step("sync-folder", path):
            _sync_folder(descriptor)


def hand_over(source: Path, target: Path) -> None:
    """Give a file that a child process made its place among our unfinished things.

    Nothing is synced: the file counts for nothing until it is synced and published. A left-over
    one at that place is replaced.

    Raises:
        DiskFault: it is not there, it is not a file, or the disk refused.
    """
    if not (os.path.lexists(source) and stat.S_ISREG(source.lstat().st_mode)):
        raise DiskFault(
            f"What a child process made for {target.name} is not there, or is not a file.",
            "The original is safe. Tell whoever looks after Platemark, and try again.",
        )
    with step("hand-over", source, target):
        os.replace(source, target)


def sync_and_hash(path: Path) -> str:
    """Make the bytes of a file lasting, and read them back meanwhile.

    The system may give them from memory and not from the disk: what is proved is that the file
    holds what was written, and that the disk has reported no fault.

    Returns:
        SHA-256 of what was read, hexadecimal.
    """
    with ThreadPoolExecutor(1) as beside:
        hashed = beside.submit(hash_file, path)
        sync_file(path)
        return hashed.result()


def copy_checked(descriptor: int, target: Path, known: tuple[int, ...] | None = None) -> Copied:
    """Copy an open file into a new one while hashing it, sync the copy and read it back.

    Args:
        descriptor: A regular file opened for reading, at its start.
        target: A file that must not exist yet.
        known: Its `identity` as it was looked at before; None where nobody did.

    Raises:
        Changed: size, time or inode differ after the copy, or from what is known.
        DiskFault: the copy holds other bytes than were written.
        FileExistsError: the target exists.
    """
    with _gone_if_unfinished(target):
        return _copy_checked(descriptor, target, known or identity(os.fstat(descriptor)))


def _copy_checked(descriptor: int, target: Path, before: tuple[int, ...]) -> Copied:
    hashed = hashlib.sha256()
    total = 0
    with step("write", target), _new_file(target, 0o644) as out, _ReadBehind(target) as behind:
        buffer = memoryview(bytearray(_CHUNK))
        while got := os.readv(descriptor, [buffer]):
            view = buffer[:got]
            hashed.update(view)
            total += got
            while view:
                view = view[os.write(out, view) :]
            behind.has_grown(got)
    after = os.fstat(descriptor)
    if before != identity(after) or total != after.st_size:
        raise Changed(str(target))
    copied = Copied(hashed.hexdigest(), total)
    sync_file(target)
    if behind.sha256 != copied.sha256:
        raise DiskFault(
            f"The disk gave back other bytes than were written to {target.name}.",
            "The file that was copied is untouched. Check the disk before going on.",
        )
    return copied


class _ReadBehind:
    """Reads a file back and hashes it while it is written; use it in a `with` statement."""

    def __init__(self, path: Path) -> None:
        self._path = path
        self._grown: SimpleQueue[int] = SimpleQueue()
        # A copy from a share may hang for ever; only a daemon's thread lets the service end then.
        self._thread = threading.Thread(target=self._read_on, name="reading back", daemon=True)
        self._fault: BaseException | None = None
        self.sha256 = ""
        """Of what was read, hexadecimal; known after the `with` statement."""

    def has_grown(self, by: int) -> None:
        """Say that so many bytes more were written."""
        self._grown.put(by)
        _moved()

    def __enter__(self) -> Self:
        self._thread.start()
        return self

    def __exit__(self, *_: object) -> None:
        self._grown.put(0)
        self._thread.join()
        if self._fault is not None:
            raise self._fault

    def _read_on(self) -> None:
        try:
            self.sha256 = self._read()
        except BaseException as fault:  # told where the copy is made
            self._fault = fault

    def _read(self) -> str:
        hashed, buffer = hashlib.sha256(), memoryview(bytearray(_CHUNK))
        with self._path.open("rb", buffering=0) as file:
            while by := self._grown.get():
                while by and (got := file.readinto(buffer[:by])):
                    hashed.update(buffer[:got])
                    by -= got
            # Nothing should be left, and whatever is would be found out by the hash.
            while got := file.readinto(buffer):
                hashed.update(buffer[:got])
        return hashed.hexdigest()


def copy_out(source: Path, target: Path, mode: int = 0o644) -> str:
    """Copy one of our files to a new one, sharing blocks where the disk can; never a hard link.

    Returns:
        SHA-256 of the copy as it was read back, hexadecimal.

    Raises:
        FileExistsError: the target exists.
    """
    with _gone_if_unfinished(target):
        with step("write", target):
            read = os.open(source, os.O_RDONLY)
            try:
                with _new_file(target, mode) as write, _ReadBehind(target) as behind:
                    if not _clone(read, write):
                        _copy_bytes(read, write, behind)
            finally:
                os.close(read)
        sync_file(target)
        return behind.sha256


@contextmanager
def _new_file(path: Path, mode: int) -> Iterator[int]:
    descriptor = os.open(path, os.O_WRONLY | os.O_CREAT | os.O_EXCL, mode)
    try:
        yield descriptor
    finally:
        os.close(descriptor)


@contextmanager
def _gone_if_unfinished(target: Path) -> Iterator[None]:
    """Remove a new file that could not be finished: on a full disk it holds the last of the room.

    A file that was there before is another's and stays.
    """
    try:
        yield
    except FileExistsError:
        raise
    except (PlatemarkError, OSError, Changed):
        target.unlink(missing_ok=True)
        raise


def remove_file(path: Path) -> None:
    """Remove a file if it is there."""
    with step("remove", path):
        path.unlink(missing_ok=True)


def remove_at(folder: int, path: Path) -> None:
    """Remove a file from an open folder if it is there, and make that lasting.

    Only the last part of the path is a name here, so nothing on the way can be exchanged.
    """
    with step("remove", path):
        _remove_from(folder, path.name)
    with step("sync-folder", path.parent):
        _sync_folder(folder)


def hash_file(path: Path) -> str:
    """SHA-256 of a file, from a fresh open, hexadecimal."""
    hashed, buffer = hashlib.sha256(), memoryview(bytearray(_CHUNK))
    with path.open("rb", buffering=0) as file:
        while got := file.readinto(buffer):
            hashed.update(buffer[:got])
            _moved()
    return hashed.hexdigest()


def identity(status: os.stat_result) -> tuple[int, int, int, int, int]:
    """What must be unchanged for a file to be the same: device, inode, size, times."""
    return (
        status.st_dev,
        status.st_ino,
        status.st_size,
        status.st_mtime_ns,
        status.st_ctime_ns,
    )


@contextmanager
def only_one(lock_file: Path) -> Iterator[bool]:
    """Hold a lock on a file while the block runs; False where another process has it."""
    flags = os.O_RDWR | os.O_CREAT | os.O_CLOEXEC | os.O_NOFOLLOW
    descriptor = os.open(lock_file, flags, 0o644)
    try:
        try:
            fcntl.flock(descriptor, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except BlockingIOError:
            yield False
            return
        yield True
    finally:
        os.close(descriptor)


def sync_tree(folder: Path) -> None:
    """Sync a folder and every folder below it, deepest first; files are synced when written."""
    for at, folders, _files in os.walk(folder, topdown=False):
        del folders
        sync_folder(Path(at))


def remove_tree(folder: Path) -> None:
    """Remove a folder of ours and everything in it, if it is there; links are not followed.

    Where a link or a file has the folder's name, that alone is removed. Below, everything is
    removed by name from an open folder, so that nothing can be exchanged on the way.
    """
    try:
        status = folder.lstat()
    except FileNotFoundError:
        return
    with step("remove-tree", folder):
        if not stat.S_ISDIR(status.st_mode):
            folder.unlink(missing_ok=True)
            return
        for _, folders, files, descriptor in os.fwalk(folder, topdown=False):
            for name in files:
                _remove_from(descriptor, name)
            for name in folders:
                # A link to a folder is listed among the folders.
                if stat.S_ISDIR(os.lstat(name, dir_fd=descriptor).st_mode):
                    os.rmdir(name, dir_fd=descriptor)
                else:
                    _remove_from(descriptor, name)
        folder.rmdir()


def _remove_from(descriptor: int, name: str) -> None:
    with contextlib.suppress(FileNotFoundError):
        os.unlink(name, dir_fd=descriptor)


def _sync_folder(descriptor: int) -> None:
    try:
        os.fsync(descriptor)
    except OSError as error:
        # Some network file systems know no folder sync; lasting state is never there.
        if error.errno not in (errno.EINVAL, errno.ENOTSUP):
            raise


def _fsync(descriptor: int) -> None:
    if sys.platform == "darwin":
        # macOS keeps fsynced bytes in the drive's own cache; this asks for the platter.
        fcntl.fcntl(descriptor, fcntl.F_FULLFSYNC)
    else:
        os.fsync(descriptor)


def _rename_noreplace(
    old: bytes, new: bytes, old_folder: int | None = None, new_folder: int | None = None
) -> None:
    """Rename, from and to folders that are open, or by whole paths; never over what is there."""
    here = -2 if sys.platform == "darwin" else -100  # AT_FDCWD
    at = (here if old_folder is None else old_folder, here if new_folder is None else new_folder)
    libc = ctypes.CDLL(None, use_errno=True)
    if hasattr(libc, "renameat2"):
        result = libc.renameat2(at[0], old, at[1], new, _RENAME_NOREPLACE)
    elif hasattr(libc, "renameatx_np"):
        result = libc.renameatx_np(at[0], old, at[1], new, _RENAME_EXCL)
    else:
        _rename_guarded(old, new, old_folder, new_folder)
        return
    if result == 0:
        return
    code = ctypes.get_errno()
    if code in (errno.EINVAL, errno.ENOSYS, errno.ENOTSUP):
        # The file system lacks the flag (some network shares): guard by hand.
        _rename_guarded(old, new, old_folder, new_folder)
        return
    raise OSError(code, os.strerror(code), os.fsdecode(new))


def _rename_guarded(old: bytes, new: bytes, old_folder: int | None, new_folder: int | None) -> None:
    if stat.S_ISDIR(os.stat(old, dir_fd=old_folder, follow_symlinks=False).st_mode):
        with contextlib.suppress(FileNotFoundError):
            os.stat(new, dir_fd=new_folder, follow_symlinks=False)
            raise FileExistsError(errno.EEXIST, os.strerror(errno.EEXIST), os.fsdecode(new))
        os.rename(old, new, src_dir_fd=old_folder, dst_dir_fd=new_folder)
        return
    os.link(old, new, src_dir_fd=old_folder, dst_dir_fd=new_folder, follow_symlinks=False)
    os.unlink(old, dir_fd=old_folder)


def _clone(read: int, write: int) -> bool:
    if sys.platform != "linux":
        return False
    try:
        fcntl.ioctl(write, _FICLONE, read)
    except OSError:
        return False
    return True


def _copy_bytes(read: int, write: int, behind: _ReadBehind) -> None:
    if hasattr(os, "copy_file_range"):
        try:
            while got := os.copy_file_range(read, write, _COPIED_AT_ONCE):
                behind.has_grown(got)
        except OSError as error:
            if error.errno not in (errno.EXDEV, errno.ENOSYS, errno.EINVAL, errno.EOPNOTSUPP):
                raise
        else:
            return
    while chunk := os.read(read, _CHUNK):
        view = memoryview(chunk)
        while view:
            view = view[os.write(write, view) :]
        behind.has_grown(len(chunk))
