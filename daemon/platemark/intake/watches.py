"""Keeps all hot folders watched: one watcher for the root, one for each surface on its own disk.

Each is made, asked and made anew in a thread of its own, for whoever touches a share may be held by
it; a thread that is, holds nobody else.
"""

from __future__ import annotations

import threading
from collections.abc import Collection, Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Literal

import structlog

from platemark.intake.mounts import file_system_of, is_network_kind, mounted_below
from platemark.intake.watch import Kind, Wake, Watcher, choose, make_watcher, unwatched

CHECK_S = 1.0
"""Seconds between two looks at whether a watcher still works."""

Mode = Literal["auto", "native", "polling"]


@dataclass(frozen=True, slots=True)
class Watched:
    """How one hot folder, or the root with all that are on its disk, is watched."""

    surface: str
    """Empty for the root."""
    folder: Path
    kind: Kind
    file_system: str


def how_watched(hot: Path, surfaces: Collection[str], mode: Mode) -> Iterator[Watched]:
    """How the hot root and every surface's folder on a disk of its own are watched.

    The root is touched; what is mounted below it is not.
    """
    yield Watched("", hot, choose(mode, hot), file_system_of(hot))
    mounted = mounted_below(hot)
    for surface in sorted(surfaces):
        kind = mounted.get(surface.encode())
        if kind is not None:
            polled = is_network_kind(kind) if mode == "auto" else mode == "polling"
            yield Watched(surface, hot / surface, "polling" if polled else "native", kind)


class Watches:
    """The watchers of one studio's hot folders."""

    def __init__(self, hot: Path, surfaces: Collection[str], mode: Mode, wake: Wake) -> None:
        """Watch nothing yet.

        Args:
            hot: The hot folders' root.
            surfaces: Ids of the surfaces, which are the names of their folders.
            mode: As the settings say.
            wake: Called from other threads when something stirs.
        """
        self._hot = hot
        self._surfaces = surfaces
        self._mode: Mode = mode
        self._wake = wake
        self._stop = threading.Event()
        self._kept: dict[Watched, threading.Event] = {}

    def start(self) -> None:
        """Begin; what cannot be watched is looked through by the scan alone."""
        threading.Thread(target=self._keep_all, name="watches", daemon=True).start()

    def stop(self) -> None:
        """Stop; nothing is waited for, since all threads are daemons."""
        self._stop.set()
        for over in list(self._kept.values()):
            over.set()

    def _keep_all(self) -> None:
        while not self._stop.is_set():
            wanted = set(how_watched(self._hot, self._surfaces, self._mode))
            for watched in [each for each in self._kept if each not in wanted]:
                self._kept.pop(watched).set()
            apart = frozenset(each.surface for each in wanted if each.surface)
            for watched in wanted - self._kept.keys():
                over = self._kept[watched] = threading.Event()
                keep = threading.Thread(
                    target=_keep, args=(watched, apart, self._wake, over), daemon=True
                )
                keep.start()
            self._stop.wait(CHECK_S)
        self.stop()


def _keep(watched: Watched, apart: frozenset[str], wake: Wake, over: threading.Event) -> None:
    """Keep one folder watched until it is over."""
    watcher: Watcher | None = None
    while not over.is_set():
        if watcher is None or not watcher.alive():
            if watcher is not None:
                watcher.stop()
            watcher = _started(watched, apart, wake)
            # What came while nobody watched is worth a look.
            wake()
        over.wait(CHECK_S)
    if watcher is not None:
        watcher.stop()


def _started(watched: Watched, apart: frozenset[str], wake: Wake) -> Watcher:
    log = structlog.get_logger()
    skip = frozenset() if watched.surface else apart
    watcher = make_watcher(watched.kind, watched.folder, skip)
    try:
        watcher.start(wake)
    except OSError as error:
        # Events only make it sooner; the scan finds everything without them.
        log.warning("watching-not-possible", folder=str(watched.folder), why=str(error))
        return watcher
    if watched.kind == "native" and (missing := unwatched(watched.folder, skip)):
        log.warning(
            "watching-in-part",
            folder=str(watched.folder),
            unwatched=missing,
            why="The system lets no more folders be watched; the scan finds everything all the "
            "same. `platemark doctor` says what to raise.",
        )
    else:
        log.info("watching", folder=str(watched.folder), how=watched.kind)
    return watcher
