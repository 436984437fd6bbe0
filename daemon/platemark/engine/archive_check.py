"""Reads the archive and the closed parcels back from the disk and holds them against the record.

A round goes through everything in the order of hashes, so it can stop anywhere and go on, and a
part of the order is about that part of the files. How far it is stands in `work/` and is no part
of the record. Nothing here writes to the record, so any thread and any command may do it.
"""

from __future__ import annotations

import contextlib
import errno
import fcntl
import hashlib
import heapq
import json
import os
import re
import stat
import time
from collections.abc import Callable, Iterator
from dataclasses import asdict, dataclass, replace
from pathlib import Path
from typing import Any

from platemark import durable
from platemark.engine.workshop import space_hashes
from platemark.ledger.keeping import HELD_PARCELS, Keeping, KeptFile
from platemark.ledger.read import ParcelRow, Reader
from platemark.parcel.bag import PAYLOAD_MANIFEST, TAG_MANIFEST

ROUND_FILE, ROUND_LOCK = "archive-round.json", "archive-round.lock"
"""In `work/`: how far the round is, and who is at it."""
END = "~"
"""After every name."""
MISSING, UNREADABLE, NO_FILE = "missing", "unreadable", "not a file"
UNLISTED = "not on its lists"
"""What is found where no hash can be taken."""
SET_ASIDE = re.compile(
    r"(?P<name>[0-9a-f]{64}\.[a-z0-9]+)\.damaged-(?P<when>[0-9]{14})(?:-[0-9]+)?"
)
"""The name of a damaged file that was set aside, with when."""
_CHUNK = 1 << 20
_LINE = re.compile(r"(?P<sha256>[0-9a-f]{64})  (?P<path>\S.*)")
_LITTER = re.compile(r"(?:\.ds_store|thumbs\.db|desktop\.ini|\._.*)", re.IGNORECASE)


class Stopped(Exception):
    """The reading was to end."""


@dataclass(frozen=True, slots=True)
class Fault:
    """One file that is not what the record says."""

    path: str
    """From the studio's folder."""
    kind: str
    """What it is for, as `KeptFile.kind`; `parcel` for a file of a parcel."""
    expected: str
    """Its hash by the record; empty for a file that should not be there."""
    found: str
    """The hash that it has, or one of the words above."""


@dataclass(frozen=True, slots=True)
class Round:
    """How far one reading of everything is."""

    begun: str
    """UTC, as entries have it."""
    at: str = ""
    """Everything up to here in the order of names was read; `END` once all was."""
    files: int = 0
    parcels: int = 0
    bytes: int = 0
    faults: int = 0

    @property
    def share(self) -> float:
        """How much of the order was gone through, from 0 to 1."""
        return 1.0 if self.at == END else int((self.at[:8] or "0").ljust(8, "0"), 16) / 2**32


@dataclass(frozen=True, slots=True)
class Slice:
    """What reading on for a while came to."""

    round: Round
    faults: tuple[Fault, ...]


def place_in_order(share: float) -> str:
    """The place in the order of names that a share of the way leads to; `END` for all of it."""
    return END if share >= 1 else f"{int(max(share, 0) * 2**32):08x}"


def read_on(
    reader: Reader,
    root: Path,
    at: Round,
    *,
    upto: str = END,
    seconds: float = 1e9,
    ending: Callable[[], bool] = lambda: False,
) -> Slice:
    """Read on in a round until a place, or for about so long; at least one file is read.

    Args:
        reader: The record, of this thread's own.
        root: The studio.
        at: How far the round is.
        upto: Where to end, as `place_in_order` gives it.
        seconds: When to end; the file in hand is finished.
        ending: Asked often; True ends at once, and the file in hand is read again next time.
    """
    until = time.monotonic() + seconds
    faults: list[Fault] = []
    for place, each in _in_order(reader, at.at, upto):
        try:
            if isinstance(each, KeptFile):
                found, size = _file_faults(root, each, ending), _size(root, each)
                at = replace(at, files=at.files + 1, bytes=at.bytes + size)
            else:
                found, size = parcel_faults(root, each, ending)
                at = replace(at, parcels=at.parcels + bool(size), bytes=at.bytes + size)
        except Stopped:
            return Slice(at, tuple(faults))
        faults += found
        at = replace(at, at=place, faults=at.faults + len(found))
        if time.monotonic() > until:
            return Slice(at, tuple(faults))
    return Slice(replace(at, at=upto), tuple(faults))


def look_again(
    reader: Reader, root: Path, path: str, ending: Callable[[], bool] = lambda: False
) -> Fault | None:
    """Read one file once more by its path; None where it is what the record says, or not needed.

    Args:
        reader: The record, of this thread's own.
        root: The studio.
        path: From the studio's folder, as a `Fault` has it.
        ending: As for `read_on`.
    """
    parts = path.split("/")
    if parts[0] == "archive" and len(parts) == 3:
        sha256, _, extension = parts[2].partition(".")
        if not Keeping(reader).needs(sha256, extension):
            return None
        kind = next((row.kind for row in Keeping(reader).rows_of(sha256)), "")
        return next(iter(_file_faults(root, KeptFile(sha256, extension, kind), ending)), None)
    parcel = reader.parcel(parts[2]) if parts[0] == "outgoing" and len(parts) > 3 else None
    if parcel is None or parcel.state not in HELD_PARCELS:
        return None
    faults, _ = parcel_faults(root, parcel, ending)
    return next((fault for fault in faults if fault.path == path), None)


def hash_from_disk(path: Path, ending: Callable[[], bool] = lambda: False) -> tuple[str, int]:
    """SHA-256 and length of a file as the disk gives it, as far as the system lets us ask for that.

    What the system remembers of the file is dropped before, so that it is not the memory that is
    proved (posix_fadvise(2); F_NOCACHE on macOS, untested); and after, so that nobody's own work
    is pushed out of memory. A disk's own memory cannot be passed over.

    Raises:
        Stopped: `ending` said so.
        OSError: it is a link or no plain file, or cannot be read.
    """
    descriptor = os.open(path, os.O_RDONLY | os.O_NOFOLLOW | os.O_NONBLOCK | os.O_CLOEXEC)
    try:
        if not stat.S_ISREG(os.fstat(descriptor).st_mode):
            raise OSError(errno.EINVAL, "it is not an ordinary file", str(path))
        _forget(descriptor)
        hashed, size = hashlib.sha256(), 0
        buffer = memoryview(bytearray(_CHUNK))
        while got := os.readv(descriptor, [buffer]):
            if ending():
                raise Stopped
            hashed.update(buffer[:got])
            size += got
        _forget(descriptor)
    finally:
        os.close(descriptor)
    return hashed.hexdigest(), size


def _forget(descriptor: int) -> None:
    if hasattr(os, "posix_fadvise"):
        with contextlib.suppress(OSError):
            os.posix_fadvise(descriptor, 0, 0, os.POSIX_FADV_DONTNEED)
    elif hasattr(fcntl, "F_NOCACHE"):
        with contextlib.suppress(OSError):
            fcntl.fcntl(descriptor, fcntl.F_NOCACHE, 1)


def _in_order(reader: Reader, after: str, upto: str) -> Iterator[tuple[str, KeptFile | ParcelRow]]:
    """Files of the archive and parcels, each with its place in one order."""
    kept: Iterator[tuple[str, KeptFile | ParcelRow]] = (
        (each.name, each) for each in Keeping(reader).files(after, upto)
    )
    cleared = Keeping(reader).cleared_parcels()
    parcels: Iterator[tuple[str, KeptFile | ParcelRow]] = iter(
        sorted(
            (
                (place, row)
                for row in reader.parcels()
                if row.state in HELD_PARCELS and row.name not in cleared
                and after < (place := hashlib.sha256(row.name.encode()).hexdigest()) <= upto
            ),
            key=lambda each: each[0],
        )
    )  # fmt: skip
    yield from heapq.merge(kept, parcels, key=lambda each: each[0])


def _archived(root: Path, each: KeptFile) -> Path:
    return root / "archive" / each.sha256[:2] / each.name


def _size(root: Path, each: KeptFile) -> int:
    try:
        return _archived(root, each).lstat().st_size
    except OSError:
        return 0


def _file_faults(root: Path, each: KeptFile, ending: Callable[[], bool]) -> list[Fault]:
    path = _archived(root, each)
    found, _ = _found(path, ending)
    if found == each.sha256:
        return []
    return [Fault(path.relative_to(root).as_posix(), each.kind, each.sha256, found)]


def _found(path: Path, ending: Callable[[], bool]) -> tuple[str, int]:
    try:
        return hash_from_disk(path, ending)
    except (FileNotFoundError, NotADirectoryError):
        return MISSING, 0
    except OSError as error:
        return (NO_FILE if error.errno in (errno.EINVAL, errno.ELOOP) else UNREADABLE), 0


def parcel_faults(
    root: Path, parcel: ParcelRow, ending: Callable[[], bool] = lambda: False
) -> tuple[list[Fault], int]:
    """Read a closed parcel back; what is wrong with it, and how many bytes were read.

    A parcel that is not in `outgoing/` was fetched, which is nobody's fault. Its list of tags is
    proved by the record, the tags by that list, and the print files by one of the tags.
    """
    folder = root / "outgoing" / parcel.lab / parcel.name
    if not os.path.lexists(folder):
        return [], 0
    shown = folder.relative_to(root).as_posix()
    if folder.is_symlink() or not folder.is_dir():
        return [Fault(f"{shown}/{TAG_MANIFEST}", "parcel", parcel.tagmanifest, NO_FILE)], 0
    wanted = {TAG_MANIFEST: parcel.tagmanifest}
    faults: list[Fault] = []
    total = whole_lists = 0
    for manifest in (TAG_MANIFEST, PAYLOAD_MANIFEST):
        # A list that is not the one that was sent proves nothing.
        if _found(folder / manifest, ending)[0] == wanted.get(manifest):
            wanted.update(listed_in(folder / manifest))
            whole_lists += 1
    there = set(_below(folder))
    for name, sha256 in sorted(wanted.items()):
        found, size = _found(folder / name, ending)
        total += size
        if found != sha256:
            faults.append(Fault(f"{shown}/{name}", "parcel", sha256, found))
    if whole_lists == 2:
        faults += [
            Fault(f"{shown}/{name}", "parcel", "", UNLISTED)
            for name in sorted(there - wanted.keys())
        ]
    return faults, total


def listed_in(manifest: Path) -> dict[str, str]:
    """Hashes by path of one of a parcel's own lists; what is no line of ours is left out."""
    found = {}
    for line in manifest.read_bytes().decode("utf-8", "replace").splitlines():
        match = _LINE.fullmatch(line)
        if match is not None and ".." not in match["path"].split("/"):
            found[match["path"]] = match["sha256"]
    return found


def _below(folder: Path) -> Iterator[str]:
    for at, _, files in os.walk(folder):
        for name in files:
            if not _LITTER.fullmatch(name):
                yield os.fsencode(Path(at, name).relative_to(folder)).decode("utf-8", "replace")


def find_strays(reader: Reader, root: Path) -> Iterator[str]:
    """Files in `archive/` that no entry ever named, from the studio's folder; they are let lie.

    A file that the service was stopped with before its entry was written is one; it becomes known
    when the same content comes again. Damaged files that were set aside are none.
    """
    ours = {f"{sha256}.icc" for sha256 in space_hashes().values()}
    for folder in sorted((root / "archive").iterdir()):
        if folder.is_symlink() or not folder.is_dir():
            yield _shown(root, folder)
            continue
        named = Keeping(reader).named(folder.name) if len(folder.name) == 2 else {}
        for path in sorted(folder.iterdir()):
            set_aside = SET_ASIDE.fullmatch(path.name)
            known = path.name in named or path.name in ours
            if not known and set_aside is None:
                yield _shown(root, path)


def _shown(root: Path, path: Path) -> str:
    return os.fsencode(path.relative_to(root)).decode("utf-8", "replace")


def load_round(work: Path) -> Round | None:
    """How far the round is; None before one was begun, or where that cannot be read."""
    try:
        told: Any = json.loads((work / ROUND_FILE).read_bytes())
        return Round(
            str(told["begun"]), str(told["at"]), int(told["files"]), int(told["parcels"]),
            int(told["bytes"]), int(told["faults"]),
        )  # fmt: skip
    except (OSError, ValueError, KeyError, TypeError):
        return None


def save_round(work: Path, at: Round | None) -> None:
    """Note how far the round is; None where it is over."""
    if at is None:
        durable.remove_file(work / ROUND_FILE)
        return
    durable.write_over(
        work / ROUND_FILE, json.dumps(asdict(at)).encode(), work / f".{ROUND_FILE}.tmp"
    )
