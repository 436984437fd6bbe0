"""Once a night: prove the record, remind, read a part of the archive back, let go of what may go.

Reading and removing are done by a thread of their own, a few seconds' worth at a time; the record
is written by the service's thread alone. That a night was begun is a unique row of what and local
date, so a clock that is set back or forward makes none twice and leaves none out. A service that
was stopped over the time does it once when it runs again, and calls it late.
"""

from __future__ import annotations

import contextlib
import threading
from collections import deque
from collections.abc import Callable
from concurrent.futures import Future
from dataclasses import dataclass, field
from datetime import date
from typing import Any, TypeVar

import structlog

from platemark import durable
from platemark.engine import daily, removing, reports
from platemark.engine.archive_check import (
    END,
    ROUND_LOCK,
    Fault,
    Round,
    Slice,
    find_strays,
    load_round,
    look_again,
    place_in_order,
    read_on,
    save_round,
)
from platemark.engine.kept_record import record_backup, record_changed, record_round
from platemark.engine.mending import (
    Mend,
    damage_lines,
    find_mends,
    record_damage,
    record_mends,
)
from platemark.engine.paperless import paperless_lines
from platemark.engine.reminders import remind, reminder_lines
from platemark.engine.retention import Found, Item, Rules, find_removable
from platemark.engine.workshop import Workshop
from platemark.intake.waiting import waiting_text
from platemark.ledger import chain
from platemark.ledger.keeping import Damage, Keeping
from platemark.ledger.proof import find_shortening, find_word_faults
from platemark.ledger.read import Reader, connect_reader
from platemark.ledger.store import stamp
from platemark.model.errors import PlatemarkError, RecordDamaged
from platemark.model.job import shown_name
from platemark.model.notice import WaitingLine

T = TypeVar("T")

NIGHTLY = "nightly"
SLICE_S = 5.0
"""Seconds of reading after which the service's thread is told how far it is."""
WAITED_FOR_PICTURES_S = 1800.0
"""So long a night's work waits while pictures are worked on."""
BACKUP_LOCK = "backup.lock"
"""In `work/`, held while a backup is made; nothing is removed meanwhile."""
STOP_WAIT_S = 10.0
_MOST_TOLD = 12


@dataclass(slots=True)
class _Night:
    day: str
    target: str = END
    """Where in the archive's order tonight's reading ends."""
    until: float = 0.0
    """When it ends at the latest, by our monotonic clock."""
    told: dict[str, Any] = field(default_factory=dict)
    """What its last entry will say."""


@dataclass(frozen=True, slots=True)
class _Step:
    work: Callable[[Reader], Any]
    """Done beside the service's thread, with a reader of its own."""
    then: Callable[[Any], None]
    """Records what came of it."""


class Upkeep:
    """Looks after what one studio keeps, a turn of the service at a time."""

    def __init__(self, workshop: Workshop) -> None:
        self._workshop = workshop
        self._keeping = Keeping(workshop.ledger.read)
        self.nightly = False
        """Whether nights are kept: `run` does, a sweep only ends what was left half done."""
        self._thread: threading.Thread | None = None
        self._ending = threading.Event()
        self._steps: deque[_Step] = deque()
        self._running: tuple[Future[Any], _Step] | None = None
        self._wake: Callable[[], None] = lambda: None
        self._night: _Night | None = None
        self._is_new = True
        self._since = workshop.clock.now()
        self._done_day = ""
        self._waits_since: float | None = None
        self._changed: tuple[Item, ...] = ()
        self._lines: tuple[tuple[int, date | None], list[WaitingLine]] = ((-1, None), [])

    @property
    def is_at_work(self) -> bool:
        """Whether anything is under way."""
        return self._running is not None or bool(self._steps)

    def tend(self, *, busy: bool, wake: Callable[[], None] = lambda: None) -> None:
        """Record what was done since the last turn, and begin what is due.

        Args:
            busy: Whether pictures are worked on; a night's work waits a while for them.
            wake: Called from another thread when there is something to record.

        Raises:
            RecordDamaged: the record was found not to hold; WAITING.txt says so already.
            PlatemarkError: the disk refuses.
        """
        self._wake = wake
        try:
            self._collect()
            if not self.is_at_work:
                self._find_work(busy=busy)
            self._go_on()
        except Exception:
            # Tonight is not tried again and again; a start does.
            self._steps.clear()
            self._night = None
            raise

    def lines(self) -> list[WaitingLine]:
        """What WAITING.txt says of what is kept."""
        workshop = self._workshop
        today = workshop.local(workshop.clock.now()).date()
        key = workshop.ledger.read.head().seq, today
        if self._lines[0] != key:
            lines = [*damage_lines(workshop), *self._doubtful(), *self._told_changed()]
            lines += paperless_lines(workshop)
            self._lines = key, [*lines, *reminder_lines(workshop, today)]
        return self._lines[1]

    def stop(self) -> None:
        """End what is under way; it is gone on with another time."""
        self._ending.set()
        if self._thread is not None:
            # A share that hangs must not keep the service from ending.
            self._thread.join(STOP_WAIT_S)

    # -- the thread --------------------------------------------------------------------------

    def _collect(self) -> None:
        if self._running is None or not self._running[0].done():
            return
        future, step = self._running
        self._running = None
        step.then(future.result())

    def _go_on(self) -> None:
        while self._running is None and self._steps and not self._ending.is_set():
            step = self._steps.popleft()
            if not self.nightly:
                step.then(self._with_reader(step.work))
                continue
            self._running = self._begin(step), step

    def _begin(self, step: _Step) -> Future[Any]:
        future: Future[Any] = Future()
        wake = self._wake

        def do() -> None:
            try:
                future.set_result(self._with_reader(step.work))
            except BaseException as error:
                future.set_exception(error)
            wake()

        self._thread = threading.Thread(target=do, name="upkeep", daemon=True)
        self._thread.start()
        return future

    def _with_reader(self, work: Callable[[Reader], T]) -> T:
        with contextlib.closing(connect_reader(self._workshop.folders.ledger)) as connection:
            return work(Reader(connection))

    def _add(self, work: Callable[[Reader], T], then: Callable[[T], None]) -> None:
        self._steps.append(_Step(work, then))

    # -- what is to be done ------------------------------------------------------------------

    def _find_work(self, *, busy: bool) -> None:
        if self._is_new:
            self._is_new = False
            for seq in self._keeping.unfinished_removals():
                self._carry_out(seq)
        for report in reports.waiting_reports(self._workshop.folders.work):
            self._take_report(report)
        if self.nightly and not self._steps:
            self._begin_night(busy=busy)

    def _begin_night(self, *, busy: bool) -> None:
        rule = self._workshop.settings.studio.upkeep
        newest = self._keeping.night(NIGHTLY)
        due = daily.due_now(self._workshop, NIGHTLY, rule.at, self._since)
        if due is None:
            if newest is not None and not newest.done and newest.local_date != self._done_day:
                # It was stopped in the middle, and no other is due: it is gone on with.
                self._keep_night(newest.local_date)
            return
        if busy and not self._has_waited():
            return
        self._waits_since = None
        self._keep_night(daily.begin(self._workshop, NIGHTLY, due))

    def _has_waited(self) -> bool:
        now = self._workshop.clock.monotonic()
        if self._waits_since is None:
            self._waits_since = now
        return now - self._waits_since >= WAITED_FOR_PICTURES_S

    def _keep_night(self, day: str) -> None:
        rule = self._workshop.settings.studio.upkeep
        self._done_day = day
        at = self._round()
        share = at.share + 1 / rule.archive_days
        night = _Night(
            day,
            target=END if share > 0.999 else place_in_order(share),
            until=self._workshop.clock.monotonic() + 60 * rule.minutes,
        )
        self._night = night
        self._add(_find_record_fault, self._record_proved)
        self._add(lambda _: None, lambda _: remind(self._workshop))
        self._mend(self._keeping.damages())
        self._add(lambda _: None, lambda _: self._read_archive(night))

    # -- the record --------------------------------------------------------------------------

    def _record_proved(self, fault: chain.Fault | None) -> None:
        if fault is None:
            if self._night is not None:
                self._night.told["entries"] = self._workshop.ledger.read.head().seq
            return
        # The next start must prove all of it again, and not from where this one had.
        self._workshop.ledger.forget_checkpoint()
        self._tell_of_the_record(fault)
        raise RecordDamaged(
            f"The nightly proof found that the record does not hold: {fault.sentence}",
            "Nothing was changed, and nothing is sent any more. Keep ledger.sqlite3 as it is and "
            "compare it with a backup and with the witness on any ticket (`platemark ledger verify "
            "--against`).",
        )

    def _tell_of_the_record(self, fault: chain.Fault) -> None:
        line = WaitingLine(
            None, "the record", "", f"It does not hold: {fault.sentence} The service has stopped.",
            "No picture is lost; what waited waits on. Tell whoever looks after Platemark, and "
            "change nothing in the studio's folder.",
        )  # fmt: skip
        hot = self._workshop.folders.hot
        now = self._workshop.local(self._workshop.clock.now())
        try:
            text = waiting_text([line], now).encode()
            durable.write_over(hot / "WAITING.txt", text, hot / ".WAITING.txt.tmp")
        except PlatemarkError as error:
            structlog.get_logger().warning("waiting-not-written", why=error.sentence)

    # -- the archive -------------------------------------------------------------------------

    def _round(self) -> Round:
        found = load_round(self._workshop.folders.work)
        return found or Round(begun=stamp(self._workshop.clock.now()))

    def _read_archive(self, night: _Night) -> None:
        workshop = self._workshop
        at = self._round()

        def read(reader: Reader) -> Slice | None:
            with durable.only_one(workshop.folders.work / ROUND_LOCK) as got:
                if not got:
                    return None
                return read_on(
                    reader, workshop.folders.root, at, upto=night.target, seconds=SLICE_S,
                    ending=self._ending.is_set,
                )  # fmt: skip

        self._add(read, lambda read: self._archive_read(night, at, read))

    def _archive_read(self, night: _Night, before: Round, read: Slice | None) -> None:
        if read is None:
            # A command reads it just now, and says so itself.
            night.told["archive"] = "read by a command meanwhile"
            self._let_go(night)
            return
        after = read.round
        self._found(read.faults)
        save_round(self._workshop.folders.work, after)
        for key in ("files", "bytes", "faults"):
            more = getattr(after, key) - getattr(before, key)
            night.told[key] = str(int(night.told.get(key, "0")) + more)
        is_done = after.at >= night.target
        if not is_done and self._workshop.clock.monotonic() < night.until:
            self._read_archive(night)
            return
        if after.at == END:
            root = self._workshop.folders.root
            self._add(
                lambda reader: sum(1 for _ in find_strays(reader, root)),
                lambda strays: record_round(self._workshop, after, strays),
            )
        self._let_go(night)

    def _found(self, faults: tuple[Fault, ...]) -> None:
        if faults and record_damage(self._workshop, faults):
            paths = {fault.path for fault in faults}
            self._mend([each for each in self._keeping.damages() if each.path in paths])

    def _mend(self, damages: list[Damage]) -> None:
        if not damages:
            return
        folders, ending = self._workshop.folders, self._ending.is_set

        def then(mends: list[Mend]) -> None:
            record_mends(self._workshop, mends)

        self._add(lambda reader: find_mends(reader, folders, damages, ending), then)

    # -- what may go -------------------------------------------------------------------------

    def _let_go(self, night: _Night) -> None:
        workshop = self._workshop
        rules = Rules(
            workshop.settings.studio.keep, workshop.clock.now(), ending=self._ending.is_set
        )

        def find(reader: Reader) -> tuple[Found, removing.Prepared] | None:
            with durable.only_one(workshop.folders.work / BACKUP_LOCK) as got:
                if not got:
                    return None
                found = find_removable(reader, workshop.folders, rules)
                return found, removing.prepare(workshop, found.items)

        self._add(find, lambda found: self._found_removable(night, found))

    def _found_removable(
        self, night: _Night, found: tuple[Found, removing.Prepared] | None
    ) -> None:
        if found is not None:
            self._changed = record_changed(self._workshop, found[0].changed)
            for seq in removing.begin(self._workshop, found[1]):
                self._carry_out(seq)
            night.told["removed"] = len(found[1].items)
        self._add(lambda _: None, lambda _: self._end_night(night))

    def _carry_out(self, seq: int) -> None:
        folders, ending = self._workshop.folders, self._ending.is_set

        def then(removed: removing.Removed | None) -> None:
            if removed is not None:
                removing.end(self._workshop, seq, removed)

        def remove(reader: Reader) -> removing.Removed | None:
            # A backup that is being made copies what its record names; the rest of it waits.
            with durable.only_one(folders.work / BACKUP_LOCK) as got:
                return removing.carry_out(reader, folders, seq, ending) if got else None

        self._add(remove, then)

    def _end_night(self, night: _Night) -> None:
        removing.tidy_work(self._workshop)
        daily.end(self._workshop, NIGHTLY, night.day, night.told)
        self._night = None

    # -- what commands did meanwhile ---------------------------------------------------------

    def _take_report(self, report: reports.Report) -> None:
        root, ending = self._workshop.folders.root, self._ending.is_set

        def look(reader: Reader) -> tuple[Fault, ...]:
            found = (look_again(reader, root, path, ending) for path in report.paths)
            return tuple(fault for fault in found if fault is not None)

        self._add(look, lambda faults: self._record_report(report, faults))

    def _record_report(self, report: reports.Report, faults: tuple[Fault, ...]) -> None:
        self._found(faults)
        if report.kind == "backup":
            record_backup(self._workshop, report.body, report.id)
        elif report.round is not None:
            record_round(self._workshop, report.round, report.body.get("strays", 0))
        reports.end_report(self._workshop.folders.work, report)

    # -- what people see ---------------------------------------------------------------------

    def _doubtful(self) -> list[WaitingLine]:
        return [
            WaitingLine(
                None, parcel.name, f"outgoing/{parcel.lab}",
                "It was closed before this copy of the studio was made, and nobody here knows "
                "whether the lab has it.",
                "Let nobody fetch it before the lab was asked. Then `platemark parcel "
                f"{parcel.name} --sent` or `--send`, with --by and --because.",
            )
            for parcel in self._workshop.ledger.read.parcels(state="doubtful")
        ]  # fmt: skip

    def _told_changed(self) -> list[WaitingLine]:
        lines = []
        for item in self._changed[:_MOST_TOLD]:
            folder, _, name = item.path.rpartition(b"/")
            lines.append(
                WaitingLine(
                    item.job, shown_name(name), shown_name(b"hot/" + folder),
                    "Somebody wrote to it after it was taken; what was taken is safe in the "
                    "archive.",
                    "It stays and is not printed. Drop it again if it shall be, or remove it.",
                )
            )  # fmt: skip
        return lines


def _find_record_fault(reader: Reader) -> chain.Fault | None:
    """Follow the whole chain, and hold its end and the personal words against it."""
    fault = reader.find_fault() or find_shortening(reader)
    return fault or next(iter(find_word_faults(reader)), None)
