"""Watching: makes the next scan come sooner, and nothing else.

Events get lost (a full queue, a share, too many folders), come twice, or stop for ever; so no
event is believed, and none is needed. The scan finds everything without them.
"""

from __future__ import annotations

import os
import re
import sys
import threading
import time
from collections.abc import Callable, Collection
from dataclasses import dataclass
from pathlib import Path
from typing import Literal, Protocol

import structlog
from watchdog.events import (
    DirCreatedEvent,
    DirDeletedEvent,
    DirMovedEvent,
    FileClosedEvent,
    FileCreatedEvent,
    FileDeletedEvent,
    FileMovedEvent,
    FileSystemEvent,
    FileSystemEventHandler,
)
from watchdog.observers import Observer
from watchdog.observers.api import BaseObserver

from platemark.intake.drop_files import TAKEN
from platemark.intake.mounts import is_network
from platemark.intake.names import is_ignored

Kind = Literal["native", "polling"]
Wake = Callable[[], None]

POLL_S = 1.0
"""Seconds between two glances of the polling watcher."""

SPACING_S = 0.1
"""A flood of events wakes no more often than this, and once more after its end."""

RETRY_S = 8.0
"""Seconds after which a watcher that does not work is worth making anew."""

_JOIN_S = 5.0
_LIMITS = Path("/proc/sys/fs/inotify")
_PROCESSES = Path("/proc")
_INODE = re.compile(r"^inotify .*?\bino:([0-9a-f]+)", re.MULTILINE)

# Reading makes events too, and every scan would cause the next one; a file that grows would make
# one with every write.
_TELLING: list[type[FileSystemEvent]] = [
    DirCreatedEvent,
    DirDeletedEvent,
    DirMovedEvent,
    FileClosedEvent,
    FileCreatedEvent,
    FileDeletedEvent,
    FileMovedEvent,
]


class Watcher(Protocol):
    """Tells when it may be worth looking into the hot folders."""

    def start(self, wake: Wake) -> None:
        """Begin to watch.

        Args:
            wake: Called from another thread, perhaps without need; a fault in it is logged.

        Raises:
            OSError: the root is not there, or the system refuses.
        """
        ...

    def stop(self) -> None:
        """Stop; may be called at any time, also twice."""
        ...

    def alive(self) -> bool:
        """False when it does not work and it is time to make a new one.

        While the root is gone a new one would not work either; so that nobody tries and logs at
        every scan, it answers True for `RETRY_S` after the last start.
        """
        ...


class NativeWatcher:
    """Events of the operating system, through watchdog."""

    def __init__(
        self,
        root: Path,
        now: Callable[[], float] = time.monotonic,
        skip: Collection[str] = (),
    ) -> None:
        """Remember the root; nothing is watched yet.

        Args:
            root: The folder to watch with all below it.
            now: Seconds that only go forward.
            skip: Folders directly in the root that are left out and not even touched.
        """
        self._root = root
        self._now = now
        self._skip = frozenset(skip)
        self._observer: BaseObserver | None = None
        self._watched: tuple[tuple[int, int] | None, frozenset[str]] | None = None
        self._started = now()
        self._bell = _Bell()

    def start(self, wake: Wake) -> None:
        """Begin to watch the root and everything below it.

        Raises:
            OSError: the root is not there, or the system refuses.
        """
        self._started = self._now()
        # A link as root would be watched itself, not the folder behind it.
        folder = self._root.resolve(strict=True)
        self._watched = _mark(folder), self._tops()
        # watchdog watches a folder that it may not read in vain, and says nothing.
        os.scandir(folder).close()
        observer = Observer()
        handler = _Handler(self._bell)
        try:
            # What is to be left out makes each of the others a watch of its own.
            for top in sorted(self._tops()):
                observer.schedule(handler, str(folder / top), recursive=True, event_filter=_TELLING)
            observer.schedule(handler, str(folder), recursive=not self._skip, event_filter=_TELLING)
            observer.start()
            self._bell.start(wake)
        except BaseException:
            # Its reading thread runs from the moment it is made.
            observer.stop()
            raise
        self._observer = observer

    def stop(self) -> None:
        """Stop watching."""
        observer, self._observer = self._observer, None
        if observer is not None:
            observer.stop()
            observer.join(_JOIN_S)
        self._bell.stop()

    def alive(self) -> bool:
        """Whether its threads run and the folder they watch is the one that is there."""
        return self._works() or self._now() - self._started < RETRY_S

    def _works(self) -> bool:
        return (
            self._observer is not None
            and self._observer.is_alive()
            and all(emitter.is_alive() for emitter in self._observer.emitters)
            # Where the root was replaced or mounted over, the threads go on watching the old one.
            and (_mark(self._root), self._tops()) == self._watched
        )

    def _tops(self) -> frozenset[str]:
        """The folders in the root that are watched one by one; none where the whole is."""
        if not self._skip:
            return frozenset()
        try:
            with os.scandir(self._root) as entries:
                return frozenset(
                    entry.name
                    for entry in entries
                    if entry.name not in self._skip and entry.is_dir(follow_symlinks=False)
                )
        except OSError:
            return frozenset()


class PollingWatcher:
    """Glances at the folders' times, for shares, whose changes by others make no event here.

    A folder's time changes when a name in it comes, goes or changes. That costs one question a
    folder, not one a file; a file that only grows is noticed by the scan.
    """

    def __init__(
        self,
        root: Path,
        now: Callable[[], float] = time.monotonic,
        poll_s: float = POLL_S,
        skip: Collection[str] = (),
    ) -> None:
        """Remember the root; nothing is watched yet, and `skip` is left out of it."""
        self._root = root
        self._skip = frozenset(skip)
        self._now = now
        self._poll_s = poll_s
        self._stop = threading.Event()
        self._thread: threading.Thread | None = None
        self._started = now()

    def start(self, wake: Wake) -> None:
        """Begin to glance at the root and every folder below it.

        Raises:
            OSError: the root is not there.
        """
        self._started = self._now()
        os.scandir(self._root).close()
        self._stop = threading.Event()
        first = _glance(self._root, {}, self._skip)
        self._thread = threading.Thread(
            target=self._run, args=(wake, self._stop, first), name="glancing", daemon=True
        )
        self._thread.start()

    def stop(self) -> None:
        """Stop glancing; a glance that a dead share holds up is not waited for."""
        self._stop.set()
        thread, self._thread = self._thread, None
        if thread is not None:
            thread.join(_JOIN_S)

    def alive(self) -> bool:
        """Whether its thread runs; a root that is gone is waited for."""
        works = self._thread is not None and self._thread.is_alive()
        return works or self._now() - self._started < RETRY_S

    def _run(self, wake: Wake, stop: threading.Event, seen: _Folders) -> None:
        while not stop.wait(self._poll_s):
            now = _glance(self._root, seen, self._skip)
            if _marks(now) != _marks(seen) and not stop.is_set():
                _wake(wake)
            seen = now


def choose(mode: Literal["auto", "native", "polling"], root: Path) -> Kind:
    """How a root is watched: as the settings say; with `auto`, by polling where it is a share."""
    if mode != "auto":
        return mode
    return "polling" if is_network(root) else "native"


def make_watcher(kind: Kind, root: Path, skip: Collection[str] = ()) -> Watcher:
    """A watcher of that kind, not started yet.

    Args:
        kind: How to watch.
        root: The folder to watch with all below it.
        skip: Folders directly in it that are left out and not even touched.
    """
    if kind == "polling":
        return PollingWatcher(root, skip=skip)
    return NativeWatcher(root, skip=skip)


@dataclass(frozen=True, slots=True)
class Used:
    """What of the system's limits on watching is in use, as far as we may see it."""

    watches: int
    instances: int
    inodes: frozenset[int]
    """Of what is watched."""


def watch_limits(
    folders: Collection[int] = (), limits: Path = _LIMITS, processes: Path = _PROCESSES
) -> tuple[tuple[str, str], ...]:
    """What the system's limits on watching (inotify(7)) spoil; nothing where all is well.

    Args:
        folders: The inodes of those that are to be watched; a service may watch them already.
        limits: Where the kernel tells its limits; a system without that has none.
        processes: Where it tells what each process has open (proc(5)).

    Returns:
        Sentences, each with what to do.
    """
    if sys.platform != "linux":
        return (("watching is tested on Linux only; everything is found by the scan anyway", ""),)
    used = used_watches(processes)
    told = []
    for name, in_use, wanted, what in (
        ("max_user_watches", used.watches, len({*folders} - used.inodes), "folders"),
        ("max_user_instances", used.instances, 1, "watching programs"),
    ):
        try:
            limit = int((limits / name).read_text("ascii"))
        except (OSError, ValueError):
            continue
        if in_use + wanted > limit:
            enough = 1 << (2 * (in_use + wanted)).bit_length()
            told.append((
                f"the system allows {limit:,} {what} to be watched for one user; {in_use:,} are in "
                f"use and {wanted:,} more are wanted, so some drops are noticed a little later",
                f"Nothing is missed. As root: sysctl fs.inotify.{name}={enough}; to keep it, write "
                f"fs.inotify.{name} = {enough} into a file in /etc/sysctl.d/.",
            ))  # fmt: skip
    return tuple(told)


def used_watches(processes: Path = _PROCESSES) -> Used:
    """What all programs of this user watch now, those that we may not look into left out."""
    told = [_watches_of(each) for each in processes.glob("[0-9]*") if _is_of_us(each)]
    inodes = [inode for inodes, _ in told for inode in inodes]
    return Used(len(inodes), sum(instances for _, instances in told), frozenset(inodes))


def unwatched(root: Path, skip: Collection[str] = ()) -> int:
    """How many folders below a root this process watches too few; 0 where that is not known.

    watchdog says nothing when the system refuses it a folder below the root.
    """
    inodes, instances = _watches_of(_PROCESSES / "self")
    return len({*folders_below(root, skip)} - {*inodes}) if instances else 0


def folders_below(root: Path, skip: Collection[str] = ()) -> tuple[int, ...]:
    """The inodes of all folders there are, the root's first."""
    found: list[int] = []
    for _, folders, _, descriptor in os.fwalk(root):
        folders[:] = [name for name in folders if found or name not in skip]
        found.append(os.fstat(descriptor).st_ino)
    return tuple(found)


def _is_of_us(process: Path) -> bool:
    try:
        return process.stat().st_uid == os.geteuid()
    except OSError:
        return False


def _watches_of(process: Path) -> tuple[list[int], int]:
    """Inodes that one process watches, and its inotify instances (proc(5), fdinfo)."""
    inodes: list[int] = []
    instances = 0
    try:
        for descriptor in (process / "fd").iterdir():
            if "inotify" in _link(descriptor):
                instances += 1
                told = (process / "fdinfo" / descriptor.name).read_text("ascii")
                inodes += [int(inode, 16) for inode in _INODE.findall(told)]
    except OSError:
        pass
    return inodes, instances


def _link(descriptor: Path) -> str:
    try:
        return str(descriptor.readlink())
    except OSError:
        return ""


class _Bell:
    """Wakes at the first event and after the last, however many come; in a thread of its own."""

    def __init__(self) -> None:
        self._heard = threading.Event()
        self._stop = threading.Event()
        self._thread: threading.Thread | None = None

    def ring(self) -> None:
        self._heard.set()

    def start(self, wake: Wake) -> None:
        self._thread = threading.Thread(target=self._run, args=(wake,), daemon=True)
        self._thread.start()

    def stop(self) -> None:
        self._stop.set()
        self._heard.set()
        thread, self._thread = self._thread, None
        if thread is not None:
            thread.join(_JOIN_S)

    def _run(self, wake: Wake) -> None:
        while self._heard.wait() and not self._stop.is_set():
            self._heard.clear()
            _wake(wake)
            self._stop.wait(SPACING_S)


@dataclass(slots=True, eq=False)  # watchdog keeps handlers in a set
class _Handler(FileSystemEventHandler):
    """Rings; never raises, since that would end watchdog's thread for good."""

    bell: _Bell

    def dispatch(self, event: FileSystemEvent) -> None:
        del event
        self.bell.ring()


@dataclass(frozen=True, slots=True)
class _Folder:
    """A folder at one glance: what tells that it changed, and the folders in it."""

    mark: tuple[int, int, int]
    folders: tuple[str, ...]


_Folders = dict[Path, _Folder]


def _glance(root: Path, before: _Folders, skip: frozenset[str]) -> _Folders:
    """Every folder below the root by its path; one that cannot be seen is left out."""
    found: _Folders = {}
    waiting = [(root, 0)]
    while waiting:
        path, depth = waiting.pop()
        known = before.get(path)
        try:
            status = path.stat(follow_symlinks=depth == 0)
            mark = (status.st_dev, status.st_ino, status.st_mtime_ns)
            # The time is read first: a name that comes after it is seen at the next glance.
            same = known is not None and known.mark == mark
            folders = known.folders if known is not None and same else _folders_in(path, depth)
        except OSError:
            continue
        found[path] = _Folder(mark, folders)
        waiting += [(path / name, depth + 1) for name in folders if depth or name not in skip]
    return found


def _folders_in(path: Path, depth: int) -> tuple[str, ...]:
    with os.scandir(path) as entries:
        return tuple(
            entry.name
            for entry in entries
            if entry.is_dir(follow_symlinks=False)
            and not is_ignored(os.fsencode(entry.name))
            and not (depth <= 1 and entry.name == TAKEN)
        )


def _marks(folders: _Folders) -> dict[Path, tuple[int, int, int]]:
    return {path: folder.mark for path, folder in folders.items()}


def _mark(folder: Path) -> tuple[int, int] | None:
    try:
        status = folder.stat()
    except OSError:
        return None
    return status.st_dev, status.st_ino


def _wake(wake: Wake) -> None:
    try:
        wake()
    except Exception:
        structlog.get_logger().exception("waking-failed")
