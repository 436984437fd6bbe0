"""The service itself: `run` until told to stop, `sweep` until nothing waits."""

from __future__ import annotations

import os
import signal
import threading
import time
from collections.abc import Callable
from contextlib import closing
from dataclasses import dataclass
from pathlib import Path
from types import FrameType

import structlog

from platemark import durable
from platemark.app.alarm import Alarm
from platemark.app.coming_words import status_line
from platemark.app.notify import Notifier
from platemark.app.open_studio import OpenStudio, open_studio
from platemark.app.page.child import PageChild
from platemark.engine.clock import Clock
from platemark.engine.dispatch import Turn
from platemark.intake.watches import Watches
from platemark.ledger.read import Reader

SHORTEST_SLEEP_S = 0.05
BUSY_S = 0.5
"""While something is settling or work moves on, the next turn comes after this at the latest."""
RESTLESS_S = 600.0
RESTLESS_TURNS = 50
"""A sweep gives up files that have been changing for so long, and through so many turns."""
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
    late: tuple[str, ...] = ()
    """Parcels and notices that were closed before it and have arrived at their labs now."""
    sheets: tuple[str, ...] = ()
    """What is wrong with order sheets that wait to be corrected."""


def run(root: Path, clock: Clock | None = None) -> None:
    """Run the service until SIGTERM or SIGINT; what was begun is finished or begun anew later."""
    wake, stop = threading.Event(), threading.Event()
    _stop_on_signal(wake, stop)
    with closing(Notifier()) as notifier, open_studio(root, clock) as studio:
        log = structlog.get_logger()
        studio.dispatch.serve()
        settings = studio.workshop.settings
        stirred = threading.Event()
        watches = _watch(studio, stirred, wake)
        alarm = Alarm(settings, wake.set, most_s=notifier.watchdog_s / 4)
        alarm.start()
        page = PageChild(root, settings.studio.page)
        page.start()
        # A large parcel takes longer than a watchdog's patience; that its bytes move shows life.
        durable.tell_progress(notifier.alive)
        log.info("started", studio=str(root))
        notifier.ready()
        try:
            _turns(studio, stirred, wake, stop, Pulse(notifier, alarm))
        finally:
            notifier.stopping()
            durable.tell_progress(None)
            alarm.stop()
            page.stop()
            watches.stop()
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
        try:
            turn, restless = _sweep_turns(studio, watch)
        finally:
            studio.dispatch.stop()
        touched = {
            entry.job
            for entry in read.entries(begun)
            if entry.job is not None and entry.kind in WORKED_ON
        } | set(range(first + 1, read.newest_job() + 1))
        rows = [row for job in sorted(touched) if (row := read.job(job)) is not None]
        closed = [entry.body["parcel"] for entry in read.entries(begun, kind="parcel-closed")]
        came = [entry.body["parcel"] for entry in read.entries(begun, kind="parcel-delivered")]
        faults = [*map(_restless, restless[:1]), *map(str, studio.dispatch.troubles)]
        return Swept(
            took=len(rows),
            held=(held := sum(row.state == "held" for row in rows)),
            waiting=len(read.jobs(state="held")) - held,
            parcels=tuple(closed),
            late=tuple(parcel for parcel in came if parcel not in closed),
            left_growing=turn.growing,
            fault=faults[0] if faults else "",
            sheets=studio.dispatch.unread_sheets,
        )


def _sweep_turns(
    studio: OpenStudio, watch: Callable[[Reader], None] | None
) -> tuple[Turn, tuple[str, ...]]:
    """Turn until nothing is left to do; gives the last turn, and files that would not rest."""
    woken, clock = threading.Event(), studio.workshop.clock
    changing_since, changing_turns = clock.monotonic(), 0
    while True:
        turn = studio.dispatch.turn(wake=woken.set)
        if watch is not None:
            watch(studio.workshop.ledger.read)
        if turn.moved or turn.working or not turn.moving:
            changing_since, changing_turns = clock.monotonic(), 0
        changing_turns += 1
        is_restless = (
            changing_turns > RESTLESS_TURNS and clock.monotonic() - changing_since > RESTLESS_S
        )
        rests = not (turn.moved or turn.working) and (not turn.moving or is_restless)
        if rests and studio.dispatch.is_paused:
            return turn, ()
        if rests:
            studio.dispatch.close_everything()
            last = studio.dispatch.turn(wake=woken.set)
            if not (last.working or last.moved or (last.moving and not is_restless)):
                return last, studio.dispatch.arriving if is_restless else ()
        woken.wait(SHORTEST_SLEEP_S if turn.moved else 0.2)
        woken.clear()


def _restless(path: str) -> str:
    return (
        f"{path} has been changing for {RESTLESS_S / 60:.0f} minutes and was not taken in. "
        "Nothing is lost: it stays where it is. Sweep again when whatever writes it is done."
    )


class Pulse:
    """What is done after each turn of `run`: the alarm is set, the service manager told."""

    def __init__(self, notifier: Notifier, alarm: Alarm) -> None:
        self._notifier = notifier
        self._alarm = alarm

    def beat(self, studio: OpenStudio) -> None:
        """A turn came to its end."""
        self._notifier.alive()
        now = studio.workshop.clock.now()
        self._alarm.look(now)
        counts = studio.dispatch.counts
        self._notifier.status(status_line(studio.workshop.settings, now, counts, self._alarm.next))


def _turns(
    studio: OpenStudio,
    stirred: threading.Event,
    wake: threading.Event,
    stop: threading.Event,
    pulse: Pulse,
) -> None:
    """Turn whenever somebody wakes us; look whenever something stirred, or it is time."""
    scan_s = studio.workshop.settings.studio.settle.scan_s
    look_at = time.monotonic()
    while not stop.is_set():
        wake.clear()
        look = stirred.is_set() or time.monotonic() >= look_at
        stirred.clear()
        turn = studio.dispatch.turn(wake=wake.set, look=look)
        pulse.beat(studio)
        if look:
            look_at = time.monotonic() + _pause_s(turn, scan_s)
        left = look_at - time.monotonic()
        wake.wait(max(0.0, min(left, BUSY_S) if turn.moved else left))


def _pause_s(turn: Turn, scan_s: float) -> float:
    """How long after a look the next is worth while."""
    if not turn.moving:
        return scan_s
    # A file that grows makes no event: when it was last seen to grow is known as well as this.
    settles = turn.next_look_s if turn.next_look_s is not None else BUSY_S
    return min(scan_s, BUSY_S, max(settles, SHORTEST_SLEEP_S))


def _watch(studio: OpenStudio, stirred: threading.Event, wake: threading.Event) -> Watches:
    def stir() -> None:
        stirred.set()
        wake.set()

    settings = studio.workshop.settings
    surfaces = [surface.id for surface in settings.surfaces]
    watches = Watches(studio.workshop.folders.hot, surfaces, settings.studio.hot.watch, stir)
    watches.start()
    return watches
