"""Every morning: the digest is made, written and recorded, on a quiet day too, and sent besides.

It is made by a thread of its own, with a reader of its own; the record is written by the service's
thread alone. That a date has its digest is a unique row, as a night's work has, so that a clock
that is set back or forward makes none twice; what was missed is caught up once and called late.
"""

from __future__ import annotations

import contextlib
import threading
from collections.abc import Callable, Sequence
from concurrent.futures import Future
from datetime import date, datetime
from pathlib import Path
from zoneinfo import ZoneInfo

import structlog

from platemark.engine.daily import due_now
from platemark.engine.digest import Moment, make_digest
from platemark.engine.local_time import day_after, moment_of
from platemark.engine.morning_files import clear_past, write_digest
from platemark.engine.morning_sending import Sending
from platemark.engine.nights import Due
from platemark.engine.workshop import Workshop
from platemark.ledger.erasing import KIND as WORDS_ERASED
from platemark.ledger.mornings import WHAT, WRITTEN, Mornings
from platemark.ledger.read import Reader, connect_reader
from platemark.model.errors import PlatemarkError
from platemark.model.morning import Digest
from platemark.model.notice import WaitingLine
from platemark.model.studio import Settings

STOP_WAIT_S = 10.0
TRIED_AGAIN_S = 300.0
"""After a digest could not be made or written, it is tried again then."""


class Morning:
    """Looks after one studio's digest, a turn of the service at a time."""

    def __init__(self, workshop: Workshop) -> None:
        self._workshop = workshop
        self.daily = False
        """Whether digests are made: `run` does, a sweep does not."""
        self._sending = Sending(workshop)
        self._thread: threading.Thread | None = None
        self._making: Future[Digest] | None = None
        self._begun = 0
        """The newest entry when that was begun."""
        self._is_new = True
        self._since = workshop.clock.now()
        self._not_before = 0.0

    @property
    def is_at_work(self) -> bool:
        """Whether a digest is being made, or a try to send one is under way."""
        return self._making is not None or self._sending.is_at_work

    def tend(
        self, lines: Callable[[], Sequence[WaitingLine]], wake: Callable[[], None] = lambda: None
    ) -> None:
        """Record what was made since the last turn, and begin what is due.

        Args:
            lines: What WAITING.txt says just now; asked only when a digest is made.
            wake: Called from another thread when there is something to record.

        Raises:
            PlatemarkError: the disk refuses; it is tried again later.
        """
        if not self.daily:
            return
        if self._is_new:
            self._is_new = False
            newest = Mornings(self._workshop.ledger.read).newest()
            if newest is not None:
                self._sending.begin(newest)
        self._collect()
        if self._making is None and self._workshop.clock.monotonic() >= self._not_before:
            self._begin(lines, wake)
        self._sending.tend(wake)

    def lines(self) -> list[WaitingLine]:
        """What WAITING.txt says of the digest."""
        return self._sending.lines()

    def stop(self) -> None:
        """End; what was not recorded is made anew, and what hangs is left to itself."""
        if self._thread is not None:
            self._thread.join(STOP_WAIT_S)

    def _begin(self, lines: Callable[[], Sequence[WaitingLine]], wake: Callable[[], None]) -> None:
        workshop = self._workshop
        due = due_now(workshop, WHAT, workshop.settings.studio.morning.at, self._since)
        if due is None:
            return
        now, said = workshop.clock.now(), tuple(lines())
        moment = Moment(due, now, next_morning(workshop.settings, due.day, now), said)
        made: Future[Digest] = Future()

        def make() -> None:
            try:
                path = workshop.folders.ledger
                with contextlib.closing(connect_reader(path)) as connection:
                    digest = make_digest(
                        Reader(connection), workshop.folders.root, workshop.settings, moment
                    )
                write_digest(workshop.folders, digest)
                made.set_result(digest)
            except BaseException as error:
                made.set_exception(error)
            wake()

        self._making, self._begun = made, workshop.ledger.read.head().seq
        self._thread = threading.Thread(target=make, name="digest", daemon=True)
        self._thread.start()

    def _collect(self) -> None:
        if self._making is None or not self._making.done():
            return
        made, self._making = self._making, None
        self._not_before = self._workshop.clock.monotonic() + TRIED_AGAIN_S
        digest = made.result()
        self._not_before = 0.0
        if any(self._workshop.ledger.read.entries(self._begun, kind=WORDS_ERASED)):
            return  # it may hold those words: it is made anew, over these files
        with self._workshop.ledger.transaction() as transaction:
            # Counts alone: what it says of people is in its files, and in no chain.
            entry = transaction.append(
                WRITTEN,
                {
                    "local_date": digest.day.isoformat(),
                    "late": digest.late,
                    "missed": digest.missed,
                    "upto": digest.upto,
                    "lines": {part.part: len(part.lines) + part.more for part in digest.parts},
                },
            )
        structlog.get_logger().info(WRITTEN, date=digest.day.isoformat(), late=digest.late)
        self._sending.begin(entry)
        self._clear(digest.day)

    def _clear(self, today: date) -> None:
        keep = self._workshop.settings.studio.morning.keep_days
        try:
            clear_past(self._workshop.folders, today, keep)
        except (PlatemarkError, OSError) as error:
            structlog.get_logger().warning("mornings-not-cleared", why=str(error))


def next_morning(settings: Settings, day: date, now: datetime) -> datetime:
    """When the digest after one is due, in UTC.

    Args:
        settings: The studio's.
        day: The local date of that one.
        now: The moment.
    """
    zone, at = ZoneInfo(settings.studio.time_zone), settings.studio.morning.at
    moment = moment_of(day, at, zone)
    while moment <= now:
        day = day_after(day, zone)
        moment = moment_of(day, at, zone)
    return moment


def digest_now(reader: Reader, root: Path, settings: Settings, now: datetime) -> Digest:
    """What a digest would say at a moment; nothing is written or recorded.

    What only the running service knows is not in it.
    """
    day = now.astimezone(ZoneInfo(settings.studio.time_zone)).date()
    moment = Moment(Due(day, late=False, missed=0), now, next_morning(settings, day, now))
    return make_digest(reader, root, settings, moment)
