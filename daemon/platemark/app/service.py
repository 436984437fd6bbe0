"""The service itself: `run` until told to stop, `sweep` until nothing waits."""

from __future__ import annotations

import os
import signal
import threading
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from types import FrameType

import structlog
from apscheduler.schedulers.background import BackgroundScheduler

from platemark.app.open_studio import OpenStudio, open_studio
from platemark.engine.clock import Clock
from platemark.intake.watch import Watcher, choose, make_watcher
from platemark.ledger.read import Reader

TICK_S = 30
"""The schedule's tick: closing times, waits after failures and retries are looked at this often."""
SHORTEST_SLEEP_S = 0.05
WORKED_ON = ("claimed", "decided", "examined", "held", "rendered")
"""Entries that say of a job that a sweep took it; to be parcelled or delivered is none of them."""


@dataclass(frozen=True, slots=True)
class Swept:
    """What one sweep came to."""

    took: int
    held: int
    waiting: int
    """Held before and held still."""
    parcels: tuple[str, ...]
    left_growing: int
    fault: str
    sheets: tuple[str, ...] = ()
    """What is wrong with order sheets that wait to be corrected."""


def run(root: Path, clock: Clock | None = None) -> None:
    """Run the service until SIGTERM or SIGINT; what was begun is finished or begun anew later."""
    wake, stop = threading.Event(), threading.Event()
    _stop_on_signal(wake, stop)
    with open_studio(root, clock) as studio:
        log = structlog.get_logger()
        watcher = _watch(studio, wake)
        schedule = BackgroundScheduler(timezone=studio.workshop.settings.studio.time_zone)
        schedule.add_job(
            wake.set,
            "interval",
            seconds=TICK_S,
            coalesce=True,
            max_instances=1,
            misfire_grace_time=None,
        )
        schedule.start()
        log.info("started", studio=str(root))
        try:
            _turns(studio, watcher, wake, stop)
        finally:
            schedule.shutdown(wait=False)
            watcher.stop()
            studio.dispatch.stop()
            log.info("stopped")


def _stop_on_signal(wake: threading.Event, stop: threading.Event) -> None:
    """Set both events on SIGTERM or SIGINT.

    A handler runs in the middle of whatever this thread is at, perhaps inside an event's own lock,
    so it only writes a byte; a thread of its own sets the events.
    """
    heard, told = os.pipe()

    def tell(number: int, frame: FrameType | None) -> None:
        del number, frame
        os.write(told, b".")

    def listen() -> None:
        os.read(heard, 1)
        stop.set()
        wake.set()

    threading.Thread(target=listen, name="signals", daemon=True).start()
    for number in (signal.SIGTERM, signal.SIGINT):
        signal.signal(number, tell)


def sweep(
    root: Path, clock: Clock | None = None, watch: Callable[[Reader], None] | None = None
) -> Swept:
    """Take everything that waits, settle time included, close every open parcel, deliver, end.

    Args:
        root: The studio.
        clock: Another clock than the system's.
        watch: Called after each turn, to show how far it is.
    """
    with open_studio(root, clock) as studio:
        read = studio.workshop.ledger.read
        first = read.newest_job()
        begun = read.head().seq
        woken = threading.Event()
        try:
            while True:
                turn = studio.dispatch.turn(wake=woken.set)
                if watch is not None:
                    watch(read)
                rests = not (turn.moved or turn.moving or turn.working)
                if rests and studio.dispatch.is_paused:
                    break
                if rests:
                    studio.dispatch.close_everything()
                    if not studio.dispatch.turn().working:
                        break
                woken.wait(SHORTEST_SLEEP_S if turn.moved else 0.2)
                woken.clear()
        finally:
            studio.dispatch.stop()
        touched = {
            entry.job
            for entry in read.entries(begun)
            if entry.job is not None and entry.kind in WORKED_ON
        } | set(range(first + 1, read.newest_job() + 1))
        rows = [row for job in sorted(touched) if (row := read.job(job)) is not None]
        closed = [entry.body["parcel"] for entry in read.entries(begun, kind="parcel-closed")]
        faults = studio.dispatch.troubles
        return Swept(
            took=len(rows),
            held=(held := sum(row.state == "held" for row in rows)),
            waiting=len(read.jobs(state="held")) - held,
            parcels=tuple(closed),
            left_growing=turn.growing,
            fault=str(faults[0]) if faults else "",
            sheets=studio.dispatch.unread_sheets,
        )


def _turns(
    studio: OpenStudio, watcher: Watcher, wake: threading.Event, stop: threading.Event
) -> None:
    scan_s = studio.workshop.settings.studio.settle.scan_s
    while not stop.is_set():
        wake.clear()
        turn = studio.dispatch.turn(wake=wake.set)
        if not watcher.alive():
            watcher.stop()
            watcher = _watch(studio, wake)
        # While something is settling the scan must come again soon: two looks make it still.
        busy = turn.moved or turn.moving
        wake.wait(min(scan_s, 0.5) if busy else scan_s)


def _watch(studio: OpenStudio, wake: threading.Event) -> Watcher:
    hot = studio.workshop.folders.hot
    kind = choose(studio.workshop.settings.studio.hot.watch, hot)
    watcher = make_watcher(kind, hot)
    try:
        watcher.start(wake.set)
    except OSError as error:
        # Events only make it sooner; the scan finds everything without them.
        structlog.get_logger().warning("watching-not-possible", why=str(error))
    else:
        structlog.get_logger().info("watching", how=kind)
    return watcher
