"""Watching: makes the next scan come sooner, and nothing else.

Events get lost (a full queue, a share, too many folders), come twice, or stop for ever; so no
event is believed, and none is needed. The scan finds everything without them.
"""

from __future__ import annotations

import os
import sys
import threading
import time
from collections.abc import Callable
from dataclasses import dataclass, field
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

SPACING_S = 0.2
"""A flood of events wakes no more often than this; while files move the scan looks by itself."""

RETRY_S = 10.0
"""Seconds after which a watcher that does not work is worth making anew."""

LEAST_WATCHES = 8192
"""Folders one user may watch; fewer is worth a word (the fixed default before Linux 5.11)."""

LEAST_INSTANCES = 128
"""Watching programs one user may run; fewer is worth a word (the default of Linux)."""

_JOIN_S = 5.0
_LIMITS = Path("/proc/sys/fs/inotify")

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

    def __init__(self, root: Path, now: Callable[[], float] = time.monotonic) -> None:
        """Remember the root; nothing is watched yet."""
        self._root = root
        self._now = now
        self._observer: BaseObserver | None = None
        self._watched: tuple[int, int] | None = None
        self._started = now()

    def start(self, wake: Wake) -> None:
        """Begin to watch the root and everything below it.

        Raises:
            OSError: the root is not there, or the system refuses.
        """
        self._started = self._now()
        # A link as root would be watched itself, not the folder behind it.
        folder = self._root.resolve(strict=True)
        self._watched = _mark(folder)
        # watchdog watches a folder that it may not read in vain, and says nothing.
        os.scandir(folder).close()
        observer = Observer()
        try:
            observer.schedule(
                _Handler(wake, self._now), str(folder), recursive=True, event_filter=_TELLING
            )
            observer.start()
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

    def alive(self) -> bool:
        """Whether its threads run and the folder they watch is the one that is there."""
        return self._works() or self._now() - self._started < RETRY_S

    def _works(self) -> bool:
        return (
            self._observer is not None
            and self._observer.is_alive()
            and all(emitter.is_alive() for emitter in self._observer.emitters)
            # Where the root was replaced or mounted over, the threads go on watching the old one.
            and _mark(self._root) == self._watched
        )


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
    ) -> None:
        """Remember the root; nothing is watched yet."""
        self._root = root
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
        first = _glance(self._root, {})
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
            now = _glance(self._root, seen)
            if _marks(now) != _marks(seen) and not stop.is_set():
                _wake(wake)
            seen = now


def choose(mode: Literal["auto", "native", "polling"], root: Path) -> Kind:
    """How a root is watched: as the settings say; with `auto`, by polling where it is a share."""
    if mode != "auto":
        return mode
    return "polling" if is_network(root) else "native"


def make_watcher(kind: Kind, root: Path) -> Watcher:
    """A watcher of that kind, not started yet."""
    return PollingWatcher(root) if kind == "polling" else NativeWatcher(root)


def watch_limits(limits: Path = _LIMITS) -> tuple[str, ...]:
    """What the system's limits on watching (inotify(7)) may spoil; nothing where all is well.

    Args:
        limits: Where the kernel tells them; a system without that has none.
    """
    told = []
    for name, least, what in (
        ("max_user_watches", LEAST_WATCHES, "folders to be watched"),
        ("max_user_instances", LEAST_INSTANCES, "programs that watch"),
    ):
        try:
            limit = int((limits / name).read_text("ascii"))
        except (OSError, ValueError):
            continue
        if limit < least:
            told.append(
                f"the system allows only {limit} {what}, so drops may be noticed a little later; "
                f"set fs.inotify.{name} to {least} or more"
            )
    if sys.platform != "linux":
        told.append("watching is tested on Linux only; everything is found by the scan anyway")
    return tuple(told)


@dataclass(slots=True, eq=False)  # watchdog keeps handlers in a set
class _Handler(FileSystemEventHandler):
    """Wakes; never raises, since that would end watchdog's thread for good."""

    wake: Wake
    now: Callable[[], float]
    woke: float = field(default=float("-inf"))

    def dispatch(self, event: FileSystemEvent) -> None:
        del event
        now = self.now()
        if now - self.woke >= SPACING_S:
            self.woke = now
            _wake(self.wake)


@dataclass(frozen=True, slots=True)
class _Folder:
    """A folder at one glance: what tells that it changed, and the folders in it."""

    mark: tuple[int, int, int]
    folders: tuple[str, ...]


_Folders = dict[Path, _Folder]


def _glance(root: Path, before: _Folders) -> _Folders:
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
        waiting += [(path / name, depth + 1) for name in folders]
    return found


def _folders_in(path: Path, depth: int) -> tuple[str, ...]:
    with os.scandir(path) as entries:
        return tuple(
            entry.name
            for entry in entries
            if entry.is_dir(follow_symlinks=False)
            and not is_ignored(os.fsencode(entry.name))
            and not (depth == 1 and entry.name == TAKEN)
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
