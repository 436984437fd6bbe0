"""A copy of the whole studio on another disk: consistent, proved, and gone on with where it broke.

The record is copied first, by SQLite's own means, while the service may go on writing; the archive
is only ever added to, so everything that this copy of the record names can be copied after it. A
file gets its name in the copy once its bytes were read back from there; record, settings and what
else may change are put in place together at the very end, and the last good state stays until then.
"""

from __future__ import annotations

import contextlib
import errno
import json
import os
import re
import secrets
import shutil
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from datetime import datetime
from pathlib import Path

from platemark import durable
from platemark.engine.archive_check import hash_from_disk, parcel_faults
from platemark.engine.copy_marker import (
    COMING,
    LEDGER,
    MARKER,
    MARKER_AGAIN,
    PART,
    READY,
    SETTINGS,
    CopyMarker,
    finish_switch,
    marker_text,
    read_marker,
)
from platemark.engine.copy_place import (
    is_folder,
    is_plain,
    move,
    plain_below,
    read_note,
    refuse_planted,
    remove,
)
from platemark.engine.record_copy import copy_record
from platemark.engine.workshop import Folders
from platemark.intake.scan import REQUEST
from platemark.ledger.keeping import HELD_PARCELS, Keeping
from platemark.ledger.proof import find_shortening
from platemark.ledger.read import ParcelRow, Reader, connect_reader
from platemark.ledger.store import stamp
from platemark.model.errors import DiskFault, DiskFull, RecordDamaged, UsageError
from platemark.parcel.bag import verify_parcel

EMPTY = ("archive", "held", "outgoing", "hot")
"""Folders that a studio has even where nothing is in them."""
_ARCHIVED = re.compile(r"(?P<sha256>[0-9a-f]{64})\.[a-z0-9]+")
_ROOM_KEPT = 64 << 20

Progress = Callable[[str, int], None]
"""Told what is copied, and how many bytes were so far."""


@dataclass(slots=True)
class Made:
    """What one backup came to."""

    made: str
    witness_seq: int = 0
    witness_hash: str = ""
    copied: int = 0
    there: int = 0
    """Files that were there already."""
    bytes: int = 0
    faults: list[str] = field(default_factory=list)
    """What could not be copied because it is damaged here, one sentence each."""


def make_backup(
    root: Path, folders: Folders, dest: Path, now: datetime, *, check: bool, progress: Progress
) -> Made:
    """Copy a studio, or bring its copy up to date.

    Args:
        root: The studio.
        folders: Its folders.
        dest: Where the copy is, or will be; `refuse_place` has nothing against it.
        now: The moment.
        check: Read everything that is there already, too.
        progress: Told now and then how far it is.

    Raises:
        UsageError: the copy there is of another studio, or of another course of this one.
        RecordDamaged: the record does not hold; the last good copy is as it was.
        DiskFull: there is no room.
        DiskFault: a disk refuses, or gave back other bytes.
    """
    try:
        durable.make_folder(dest)
        refuse_planted(dest)
        with _only_one(dest):
            return _make(root, folders, dest, now, check=check, progress=progress)
    except OSError as error:
        raise DiskFault(
            f"{dest} cannot be read or written: {error.strerror or error}.",
            "The last good copy there is as it was, or is put in place the next time. Connect that "
            "disk or share, and make the backup again.",
        ) from error


@contextlib.contextmanager
def _only_one(dest: Path) -> Iterator[None]:
    """Keep others from making a backup there; some shares know no locks, and then nobody is kept.

    Raises:
        UsageError: another makes one.
    """
    with contextlib.ExitStack() as stack:
        try:
            got = stack.enter_context(durable.only_one(dest / ".lock"))
        except OSError as error:
            if error.errno not in (errno.ENOLCK, errno.ENOTSUP, errno.EINVAL, errno.ENOSYS):
                raise
            got = True
        if not got:
            raise UsageError(
                f"Another backup is being made into {dest}.", "Nothing was done. Wait for its end."
            )
        yield


def _make(
    root: Path, folders: Folders, dest: Path, now: datetime, *, check: bool, progress: Progress
) -> Made:
    finish_switch(dest)
    for left in (COMING, PART):
        durable.remove_tree(dest / left)
    durable.make_folder(dest / PART)
    snapshot = root / "work" / "backup" / LEDGER
    durable.make_folder(snapshot.parent)
    durable.remove_file(snapshot)
    try:
        copy_record(root / LEDGER, snapshot)
        with contextlib.closing(connect_reader(snapshot)) as connection:
            made = _Copying(
                root, folders, dest, Reader(connection), Made(stamp(now)), check, progress
            ).all(snapshot)
    finally:
        durable.remove_file(snapshot)
        durable.remove_tree(dest / PART)
    return made


class _Copying:
    """One backup under way."""

    def __init__(
        self, root: Path, folders: Folders, dest: Path, snapshot: Reader, made: Made, check: bool,
        progress: Progress,
    ) -> None:  # fmt: skip
        self._root, self._folders, self._dest = root, folders, dest
        self._read = snapshot
        self._made = made
        self._check = check
        self._progress = progress

    def all(self, snapshot: Path) -> Made:
        """Copy everything, the record last."""
        head = self._read.head()
        self._made.witness_seq, self._made.witness_hash = head.seq, head.hash
        first = self._read.entry(1)
        if first is None:
            raise UsageError(
                "The studio's record is empty, so there is nothing to keep yet.",
                "Nothing was copied. Make a backup once something was dropped.",
            )
        fault = self._read.find_fault() or find_shortening(self._read)
        if fault is not None:
            raise RecordDamaged(
                f"The record does not hold, so no backup is made of it: {fault.sentence}",
                "Nothing was changed; the last good copy is as it was. Keep both, and compare "
                "them (`platemark ledger verify`).",
            )
        self._same_course(first.hash.hex())
        self._room()
        self._archive()
        self._let_go()
        self._parcels()
        self._held()
        self._hot()
        for name in EMPTY:
            durable.make_folder(self._dest / name)
        marker = CopyMarker(
            secrets.token_hex(8), first.hash.hex(), self._made.made, head.seq, head.hash,
            durable.hash_file(snapshot),
        )  # fmt: skip
        self._switch(snapshot, marker)
        return self._made

    def _same_course(self, studio: str) -> None:
        """Refuse to put one studio's copy over another's.

        Raises:
            UsageError: it would be.
        """
        marker = read_marker(self._dest)
        if marker is None:
            return
        if marker.studio != studio:
            raise UsageError(
                f"{self._dest} holds the copy of another studio.",
                "Nothing was copied. Name another folder.",
            )
        if self._read.find_witness_fault(marker.witness) is not None:
            raise UsageError(
                f"The copy in {self._dest} knows entries that this studio's record does not have: "
                "one of them went another way.",
                "Nothing was copied. Keep that copy, and name another folder.",
            )

    def _room(self) -> None:
        wanted = _ROOM_KEPT
        for path in self._archive_files():
            wanted += 0 if self._in_dest(path).exists() else path.lstat().st_size
        free = shutil.disk_usage(self._dest).free
        if free < wanted:
            raise DiskFull(
                f"There is not room enough in {self._dest}: {wanted >> 20:,} MB wanted, "
                f"{free >> 20:,} MB free.",
                "Nothing was copied; the last good copy is as it was. Free some space there, or "
                "name another disk.",
            )

    # -- what is only ever added to ------------------------------------------------------------

    def _archive(self) -> None:
        for path in self._archive_files():
            sha256 = path.name.partition(".")[0]
            target = self._in_dest(path)
            if self._is_there(target, sha256, path.stat().st_size):
                self._made.there += 1
                continue
            part = self._copied(path)
            if part is None or part[1] != sha256:
                shown = path.relative_to(self._root).as_posix()
                self._made.faults.append(f"{shown} is damaged here and was not copied.")
                if part is not None:
                    durable.remove_file(part[0])
                continue
            with contextlib.suppress(OSError):
                part[0].chmod(0o444)  # some shares know no rights
            self._in_place(part[0], target)
        for kept in Keeping(self._read).files():
            if not is_plain(self._dest / "archive" / kept.sha256[:2] / kept.name):
                name = f"archive/{kept.sha256[:2]}/{kept.name}"
                if f"{name} is damaged here and was not copied." not in self._made.faults:
                    self._made.faults.append(f"{name} is not in the archive.")

    def _let_go(self) -> None:
        """What left the archive by rule leaves the copy as well."""
        for folder in sorted((self._dest / "archive").glob("??")):
            named = Keeping(self._read).named(folder.name)
            for path in sorted(folder.iterdir()):
                if named.get(path.name, ("", ""))[1] == "removed":
                    self._away(path)

    def _archive_files(self) -> Iterator[Path]:
        for folder in sorted(self._folders.archive.iterdir()):
            if folder.is_symlink() or not folder.is_dir():
                continue
            for path in sorted(folder.iterdir()):
                if _ARCHIVED.fullmatch(path.name) and is_plain(path):
                    yield path

    def _is_there(self, target: Path, sha256: str, size: int) -> bool:
        """Whether a file is in the copy; one that is not what it should be makes room."""
        try:
            good = is_plain(target) and target.lstat().st_size == size
            if good and self._check:
                good = hash_from_disk(target)[0] == sha256
        except OSError:
            good = False
        if not good and os.path.lexists(target):
            self._away(target)
        return good

    def _parcels(self) -> None:
        cleared = Keeping(self._read).cleared_parcels()
        for parcel in self._read.parcels():
            source = self._folders.outgoing / parcel.lab / parcel.name
            target = self._dest / "outgoing" / parcel.lab / parcel.name
            if parcel.name in cleared or parcel.state not in HELD_PARCELS:
                if is_folder(target) and not source.exists():
                    self._away(target)
                continue
            if source.is_symlink() or not source.is_dir():
                continue
            if is_folder(target) and not (self._check and parcel_faults(self._dest, parcel)[0]):
                self._made.there += 1
                continue
            self._parcel(parcel, source, target)

    def _parcel(self, parcel: ParcelRow, source: Path, target: Path) -> None:
        part = self._dest / PART / f"{parcel.name}.{secrets.token_hex(4)}"
        durable.make_folder(part)
        for path in plain_below(source):
            to = part / path.relative_to(source)
            durable.make_folder(to.parent)
            durable.copy_out(path, to)
            self._made.bytes += to.stat().st_size
        durable.sync_tree(part)
        if wrong := verify_parcel(part, parcel.tagmanifest):
            self._made.faults.append(
                f"outgoing/{parcel.lab}/{parcel.name} is damaged here and was not copied: "
                f"{wrong[0]}"
            )
            return
        self._in_place(part, target)

    # -- what comes and goes -------------------------------------------------------------------

    def _held(self) -> None:
        """Bring `held/` up to date; it is made anew from record and archive where it is not."""
        here = {path.relative_to(self._folders.held) for path in plain_below(self._folders.held)}
        for relative in sorted(here):
            source, target = self._folders.held / relative, self._dest / "held" / relative
            try:
                status = source.stat()
                same = target.is_file() and (
                    (target.stat().st_size, target.stat().st_mtime_ns)
                    == (status.st_size, status.st_mtime_ns)
                )
            except OSError:
                continue
            if same:
                self._made.there += 1
                continue
            part = self._copied(source)
            if part is None:
                continue
            with contextlib.suppress(OSError):
                os.utime(part[0], ns=(status.st_mtime_ns, status.st_mtime_ns))
            self._in_place(part[0], target)
        held = self._dest / "held"
        for path in list(plain_below(held)) if held.is_dir() else ():
            if path.relative_to(held) not in here:
                remove(self._dest, path)
                with contextlib.suppress(OSError):
                    path.parent.rmdir()

    def _hot(self) -> None:
        """The hot folders and what they ask of every picture, but no drop.

        A drop that is not claimed yet is still with whoever dropped it; in a copy it would be taken
        in a second time.
        """
        hot = self._folders.hot
        if not hot.is_relative_to(self._root) or not hot.is_dir():
            return
        for at, folders, files in os.walk(hot):
            folders.sort()
            to = self._dest / Path(at).relative_to(self._root)
            durable.make_folder(to)
            for name in {os.fsdecode(REQUEST)} & set(files):
                self._request(Path(at) / name, to / name)
        kept = self._dest / hot.relative_to(self._root)
        for path in list(plain_below(kept)):
            if not is_plain(hot / path.relative_to(kept)):
                remove(self._dest, path)

    def _request(self, source: Path, target: Path) -> None:
        """Copy what a hot folder asks of every picture; what is no such file asks nothing."""
        try:
            data = read_note(source)
        except OSError:
            return
        with contextlib.suppress(OSError):
            if read_note(target) == data:
                return
        part = self._dest / PART / secrets.token_hex(8)
        durable.write_new(part, data)
        self._in_place(part, target)

    def _switch(self, snapshot: Path, marker: CopyMarker) -> None:
        """Put record, settings and marker in place together."""
        coming = self._dest / COMING
        durable.make_folder(coming)
        for name in SETTINGS:
            source = self._root / name
            if source.is_file():
                durable.copy_out(source, coming / name)
            elif is_folder(source):
                durable.make_folder(coming / name)
                for path in plain_below(source):
                    self._setting(path, coming / name / path.relative_to(source))
        copied = durable.copy_out(snapshot, coming / LEDGER)
        if copied != marker.ledger_sha256 or (
            hash_from_disk(coming / LEDGER)[0] != marker.ledger_sha256
        ):
            raise DiskFault(
                f"The disk of {self._dest} gave back other bytes than were written to it.",
                "The last good copy is as it was. Check that disk, or name another.",
            )
        for name in (MARKER, MARKER_AGAIN):
            durable.make_folder((coming / name).parent)
            durable.write_new(coming / name, marker_text(marker))
        durable.sync_tree(coming)
        names = sorted(path.name for path in coming.iterdir())
        durable.write_over(
            self._dest / READY, json.dumps(names).encode(), self._dest / PART / "ready"
        )
        finish_switch(self._dest)

    def _setting(self, source: Path, target: Path) -> None:
        """Copy one file of the settings; an answer that was applied meanwhile is not there."""
        part = self._copied(source)
        if part is None and is_plain(source):
            raise DiskFault(
                f"{source} changed while it was copied, or cannot be read.",
                "The last good copy is as it was. Make the backup again.",
            )
        if part is not None:
            durable.make_folder(target.parent)
            move(self._dest, part[0], target)

    # -- copying ---------------------------------------------------------------------------------

    def _in_dest(self, path: Path) -> Path:
        return self._dest / path.relative_to(self._root)

    def _copied(self, source: Path) -> tuple[Path, str] | None:
        """Copy a file to a working name, read it back from that disk; None where it cannot be."""
        part = self._dest / PART / secrets.token_hex(8)
        try:
            descriptor = os.open(source, os.O_RDONLY | os.O_NOFOLLOW | os.O_NONBLOCK)
        except OSError:
            return None
        try:
            self._room_for(source, os.fstat(descriptor).st_size)
            copied = durable.copy_checked(descriptor, part)
        except durable.Changed:
            return None
        finally:
            os.close(descriptor)
        sha256, size = hash_from_disk(part)
        if sha256 != copied.sha256:
            raise DiskFault(
                f"The disk of {self._dest} gave back other bytes than were written to it.",
                "The last good copy is as it was. Check that disk, or name another.",
            )
        self._made.bytes += size
        self._progress(source.name, self._made.bytes)
        return part, sha256

    def _room_for(self, source: Path, size: int) -> None:
        """Refuse a file that would fill the disk of the copy; a file with holes may be vast.

        Raises:
            DiskFull: there is no room for it.
        """
        free = shutil.disk_usage(self._dest).free
        if free < size + _ROOM_KEPT:
            raise DiskFull(
                f"There is not room enough in {self._dest} for {source}: {size >> 20:,} MB, and "
                f"{free >> 20:,} MB are free.",
                "The last good copy is as it was. Free some space there, or see whether that file "
                "should be so large.",
            )

    def _in_place(self, part: Path, target: Path) -> None:
        durable.make_folder(target.parent)
        if os.path.lexists(target):
            self._away(target)
        move(self._dest, part, target)
        self._made.copied += 1

    def _away(self, path: Path) -> None:
        """Take something that is in the way, or is to go, out of the copy."""
        move(self._dest, path, self._dest / PART / secrets.token_hex(8))
