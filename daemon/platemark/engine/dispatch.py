"""One turn of the service: take answers and drops in, move every job on, close and deliver."""

from __future__ import annotations

import re
import traceback
from collections.abc import Callable
from concurrent.futures import Future, ThreadPoolExecutor
from dataclasses import dataclass
from functools import partial
from typing import Any

import structlog

from platemark import durable
from platemark.engine import examine, render
from platemark.engine.claim import claim, gather_anew, jobs_of_drop, let_go, said
from platemark.engine.deliver import Couriers, deliver_closed
from platemark.engine.growing import Growing
from platemark.engine.holding import Holding
from platemark.engine.lifecycle import TRANSITIONS, move
from platemark.engine.pack import close_due
from platemark.engine.sets import Sets
from platemark.engine.sheets import OrderSheets
from platemark.engine.workshop import ROOM_HINT, Workshop
from platemark.intake import drop_files
from platemark.intake.scan import HotFolders, Look, Sighting
from platemark.intake.waiting import waiting_text
from platemark.ledger.read import JobRow
from platemark.model.errors import DiskFault, DiskFull, PlatemarkError
from platemark.model.job import job_number, shown_name
from platemark.model.notice import WaitingLine
from platemark.model.work import Failure, ProbeReport

PICTURE_ENDINGS = (b".tif", b".tiff", b".jpg", b".jpeg", b".png", b".TIF", b".JPG")
MISTAKE_HINT = "Tell whoever looks after Platemark; the log says more."
_JOB_NUMBER = re.compile(r"[0-9]{1,12}")
PAUSE_S = 30
"""After the world refused something that may heal, no new work is begun for this long."""


@dataclass(frozen=True, slots=True)
class Turn:
    """What one turn left behind."""

    moving: int
    """Files that are not settled yet."""
    working: int
    """Pictures in child processes, and jobs that can be begun."""
    growing: int
    """Cut-off pictures that are young enough to be still arriving."""
    moved: bool
    """Whether anything changed."""


Finish = Callable[[Workshop, JobRow, Any], Callable[[], Any] | None]
"""Records the outcome of a job's work, or says what is to be done before it can be."""


@dataclass(slots=True)
class _Running:
    row: JobRow
    future: Future[Any]
    finish: Finish


class Dispatch:
    """Moves every job of one studio on, a turn at a time; the record is written here only."""

    def __init__(self, workshop: Workshop, hot: HotFolders, quiet_s: float) -> None:
        self._workshop = workshop
        self._hot = hot
        self._couriers = Couriers()
        self._sets = Sets(workshop)
        self._order_sheets = OrderSheets(workshop)
        # The threads live as long as the service: a child dies with the thread that started it.
        self._threads = ThreadPoolExecutor(workshop.parallel, thread_name_prefix="picture")
        self._holding = Holding(workshop, quiet_s, self._threads)
        self._running: dict[int, _Running] = {}
        self._growing = Growing(workshop, quiet_s, self._go_on)
        self._wake: Callable[[], None] = lambda: None
        self._trouble: PlatemarkError | None = None
        self._paused_until = 0.0
        self._waiting_shown: tuple[WaitingLine, ...] | None = None
        self._late: tuple[WaitingLine, ...] = ()
        self._unfit: dict[bytes, tuple[tuple[int, ...], WaitingLine]] = {}
        """Settled files that are not taken in as they are, by path, with what is said of them."""
        self._documents: dict[int, tuple[int | None, tuple[int, int]]] = {}
        """Size of the prints that wait to be made, by job and the entry that planned it."""
        self._short: dict[int, str] = {}
        """Jobs for which the disk has not room enough just now."""
        self._mistakes: dict[str, str] = {}
        """Parts of a turn that went wrong by a mistake of ours, until they go right again."""

    def turn(self, *, wake: Callable[[], None] = lambda: None) -> Turn:
        """Do everything that can be done now.

        Args:
            wake: Called from another thread when a picture's step has come to its end.
        """
        before = self._workshop.ledger.read.head().seq
        self._wake = wake
        self._part("answers", self._holding.take_answers)
        look = self._hot.look(self._known_drops())
        self._part("order sheets", partial(self._order_sheets.tend, look, self._running.keys()))
        self._part("drops", partial(self._take_drops, look))
        self._part("profiles", self._holding.look_again)
        self._collect()
        self._part("growing", self._growing.watch)
        self._part("sets", partial(self._sets.tend, arriving=look.moving > 0))
        self._begin()
        self._part("hot folders", partial(self._let_go, look))
        self._part("held folders", partial(self._holding.show, wake))
        self._part("parcels", partial(close_due, self._workshop, waiting=self._sets.waiting))
        self._part("deliveries", partial(deliver_closed, self._workshop, self._couriers))
        self._part("WAITING.txt", partial(self._show_waiting, look))
        waiting = [row for row in self._startable() if row.job not in self._short]
        startable = 0 if self._paused() else len(waiting)
        return Turn(
            moving=look.moving,
            working=len(self._running)
            + startable
            + self._growing.with_holes
            + self._holding.drawing,
            growing=len(self._growing.cut_off),
            moved=self._workshop.ledger.read.head().seq != before,
        )

    def close_everything(self) -> None:
        """Close every open parcel whatever the labs' rules say, and deliver."""
        close_due(self._workshop, waiting=self._sets.waiting, everything=True)
        deliver_closed(self._workshop, self._couriers)

    @property
    def is_paused(self) -> bool:
        """Whether no new work is begun until something of the world has healed."""
        return self._trouble is not None

    @property
    def troubles(self) -> tuple[PlatemarkError, ...]:
        """What the world refused and is still waited for."""
        unfit = (
            PlatemarkError(f"{line.name}: {line.sentence}", line.next)
            for _, line in self._unfit.values()
        )
        return (*self._own_troubles(), *unfit)

    @property
    def unread_sheets(self) -> tuple[str, ...]:
        """What is wrong with order sheets that wait to be corrected."""
        return tuple(" ".join(words) for words in self._order_sheets.troubles)

    def _own_troubles(self) -> tuple[PlatemarkError, ...]:
        """All but the files that are not taken in."""
        own = (self._trouble,) if self._trouble is not None else ()
        short = (DiskFull(sentence, ROOM_HINT) for sentence in self._short.values())
        mistakes = (PlatemarkError(sentence, MISTAKE_HINT) for sentence in self._mistakes.values())
        return (*own, *short, *mistakes, *self._couriers.troubles.values())

    def stop(self) -> None:
        """End every child process and its thread; what was begun is begun anew next time."""
        self._workshop.children.kill_all()
        self._threads.shutdown(wait=True, cancel_futures=True)

    # -- taking in ---------------------------------------------------------------------------

    def _known_drops(self) -> set[tuple[int, int, int, int]]:
        here = self._workshop.ledger.read.drops(here=True)
        drops = {(row.device, row.inode, row.size, row.mtime_ns) for row in here}
        return drops | self._order_sheets.known

    def _take_drops(self, look: Look) -> None:
        settled = {sighting.relative for sighting in look.settled}
        self._unfit = {path: told for path, told in self._unfit.items() if path in settled}
        for sighting in () if self._paused() else look.settled:
            if self._order_sheets.may_take(sighting.relative):
                self._take(sighting)
        self._late = tuple(
            line for sidecar in look.lone_sidecars if (line := self._late_sidecar(sidecar))
        )

    def _take(self, sighting: Sighting) -> None:
        """Claim a settled file; one that cannot be taken in waits and is told, and no other does.

        It is tried again once it has changed, or where only room was wanting.
        """
        told = self._unfit.get(sighting.relative)
        if told is not None and told[0] == sighting.identity and not self._room_was_short(told):
            return
        self._unfit.pop(sighting.relative, None)
        name = shown_name(sighting.relative.rsplit(b"/", 1)[-1])
        limit = self._workshop.limits.file_bytes
        short = self._workshop.lacks_room(sighting.size, f"take in {name}")
        if sighting.size > limit:
            sentence = f"It has {sighting.size:,} bytes, and the studio takes at most {limit:,}."
            then = "Save it smaller, or raise the limit in studio.toml and start again."
        elif short:
            sentence, then = short, ROOM_HINT
        else:
            try:
                claim(self._workshop, sighting, self._order_sheets.rows_of(sighting.relative))
            except PlatemarkError as error:
                self._note_fault(error)
                return
            except Exception:
                structlog.get_logger().exception("drop-not-taken", name=name)
                sentence, then = "Platemark made a mistake with it.", MISTAKE_HINT
            else:
                return
        where = shown_name(b"hot/" + sighting.relative.rsplit(b"/", 1)[0])
        line = WaitingLine(None, name, where, sentence, then)
        self._unfit[sighting.relative] = sighting.identity, line

    @staticmethod
    def _room_was_short(told: tuple[tuple[int, ...], WaitingLine]) -> bool:
        return told[1].next == ROOM_HINT

    def _late_sidecar(self, sidecar: Sighting) -> WaitingLine | None:
        """A request that lands after its picture: plan anew while that is possible, else say so."""
        picture = sidecar.relative.removesuffix(b".toml")
        drops = self._workshop.ledger.read.drops(path_hex=picture.hex())
        name = shown_name(sidecar.relative.rsplit(b"/", 1)[-1])
        where = shown_name(b"hot/" + sidecar.relative.rsplit(b"/", 1)[0])
        if not drops:
            meant = next((e for e in PICTURE_ENDINGS if self._was_dropped(picture + e)), None)
            beside = shown_name((picture + (meant or b"")).rsplit(b"/", 1)[-1])
            return WaitingLine(
                None, name, where, "There is no picture beside this request.",
                f"It is called after the picture's whole name: rename it {beside}.toml." if meant
                else "Drop the picture of that name, or remove the request. For heron.tif it is "
                "called heron.tif.toml.",
            )  # fmt: skip
        rows = jobs_of_drop(self._workshop.ledger.read, drops[-1].job)
        if any(row.job in self._running for row in rows):
            return None
        going = [row for row in rows if row.state in ("held", "examined", "rendered")]
        if not going:
            row = rows[0]
            sent = f"already in parcel {row.parcel}" if row.parcel else row.state
            return WaitingLine(
                row.job, name, where, f"This request came too late: job {job_number(row.job)} is "
                f"{sent}.", "Tell the lab if it matters, then remove this file.",
            )  # fmt: skip
        for row in going:
            self._ask_anew(row)
        drop_files.let_go(self._workshop.folders.hot, sidecar.relative, going[0].job)
        return None

    def _was_dropped(self, path: bytes) -> bool:
        return bool(self._workshop.ledger.read.drops(path_hex=path.hex()))

    def _ask_anew(self, row: JobRow) -> None:
        workshop = self._workshop
        gathered = gather_anew(workshop, row)
        with workshop.ledger.transaction() as transaction:
            if row.state != "held":
                move(transaction, row, "set-back", "held", {"why": "its request came later"})
                row = workshop.ledger.read.job(row.job) or row
            move(transaction, row, "asked-anew", "claimed", said(transaction, gathered))
        structlog.get_logger().info("asked-anew", job=row.job)

    # -- moving on ---------------------------------------------------------------------------

    def _startable(self) -> list[JobRow]:
        return [
            row
            for state in ("examined", "claimed")
            for row in self._workshop.ledger.read.jobs(state=state)
            if row.job not in self._running and row.job not in self._growing.jobs
            if row.state != "examined" or row.job not in self._sets.waiting
        ]

    def _begin(self) -> None:
        rows = self._startable()
        examined = {row.job for row in rows}
        self._documents = {job: each for job, each in self._documents.items() if job in examined}
        self._short = {}
        for row in rows:
            if len(self._running) >= self._workshop.parallel or self._paused():
                return
            module = render if row.state == "examined" else examine
            if module is render and (short := self._lacks_room(row)):
                self._short[row.job] = short
                continue
            work = self._guarded(partial(module.begin, self._workshop, row), row)
            if work is not None:
                self._put_to_work(row, work, module.finish)

    def _put_to_work(self, row: JobRow, work: Callable[[], Any], finish: Finish) -> None:
        future = self._threads.submit(work)
        self._running[row.job] = _Running(row, future, finish)
        wake = self._wake
        future.add_done_callback(lambda _: wake())

    def _finish(self, row: JobRow, outcome: Any, finish: Finish) -> None:
        """Record a step's outcome, or go on with the work that it leads to."""
        more = self._guarded(partial(finish, self._workshop, row, outcome), row)
        if more is not None:
            self._put_to_work(row, more, finish)

    def _go_on(self, row: JobRow, report: ProbeReport) -> None:
        self._finish(row, report, examine.finish)

    def _lacks_room(self, row: JobRow) -> str:
        seq, document = self._documents.get(row.job, (None, (0, 0)))
        if seq != row.examined_seq:
            document = render.document_of(self._workshop, row)
            self._documents[row.job] = row.examined_seq, document
        return render.lacks_room(self._workshop, row, document)

    def _collect(self) -> None:
        for job, running in list(self._running.items()):
            if not running.future.done():
                continue
            del self._running[job]
            now = self._workshop.ledger.read.job(job)
            if now is None or now.moved_seq != running.row.moved_seq:
                # It was withdrawn, or asked for anew, while it was worked on.
                render.clear_scratch(self._workshop, job)
                structlog.get_logger().info("outcome-dropped", job=job)
                continue
            outcome = _result(running.future)
            if self._growing.takes(running.row, outcome):
                continue
            self._finish(running.row, outcome, running.finish)

    def _note_fault(self, error: PlatemarkError) -> None:
        """Pause new work for what may heal.

        Raises:
            PlatemarkError: `error` itself, where it will not heal by waiting.
        """
        if not error.retry:
            raise error
        self._trouble = error
        self._paused_until = self._workshop.clock.monotonic() + PAUSE_S
        structlog.get_logger().warning("paused", why=error.sentence, code=error.code)

    def _part(self, name: str, action: Callable[[], Any]) -> None:
        """Run one part of a turn; a mistake of ours in it is told, and the other parts go on.

        Raises:
            PlatemarkError: a fault that will not heal by waiting.
        """
        try:
            action()
        except PlatemarkError as error:
            self._note_fault(error)
        except Exception:
            if name not in self._mistakes:
                structlog.get_logger().exception("part-failed", part=name)
            self._mistakes[name] = f"Platemark made a mistake with the {name}; the rest goes on."
        else:
            self._mistakes.pop(name, None)

    def _guarded(self, action: Callable[[], Any], row: JobRow) -> Any:
        """Run one action for a job and give what it gives; None where it failed.

        What may heal pauses new work; a bug holds its job and nothing else.

        Raises:
            PlatemarkError: a fault that will not heal by waiting.
        """
        try:
            return action()
        except PlatemarkError as error:
            self._note_fault(error)
        except Exception:
            current = self._workshop.ledger.read.job(row.job)
            if current is None or "held" not in TRANSITIONS[current.state]:
                raise
            trace = traceback.format_exc()
            examine.failed(
                self._workshop, current, "service", Failure("bug", "a mistake of ours", trace)
            )
        return None

    def _paused(self) -> bool:
        if self._trouble is not None:
            if self._workshop.clock.monotonic() < self._paused_until:
                return True
            self._trouble = None
        return False

    # -- what people see ---------------------------------------------------------------------

    def _let_go(self, look: Look) -> None:
        if look.offline:
            return
        for drop in self._workshop.ledger.read.drops(here=True):
            row = self._workshop.ledger.read.job(drop.job)
            if row is not None and row.state != "claimed":
                let_go(self._workshop, drop)

    def _show_waiting(self, look: Look) -> None:
        if look.offline:
            return
        lines = (*self._holding.lines(), *self._late, *self._other_lines(look))
        hot = self._workshop.folders.hot
        if lines == self._waiting_shown and (hot / "WAITING.txt").exists():
            return
        now = self._workshop.local(self._workshop.clock.now())
        scratch = hot / ".WAITING.txt.tmp"
        try:
            durable.write_over(hot / "WAITING.txt", waiting_text(lines, now).encode(), scratch)
        except DiskFault as fault:
            # It is only a word to people, and hot/ may be on a share: no reason to stop.
            structlog.get_logger().warning("waiting-not-written", why=fault.sentence)
        self._waiting_shown = lines

    def _other_lines(self, look: Look) -> list[WaitingLine]:
        lines = [
            WaitingLine(
                None,
                shown_name(oddity.relative.rsplit(b"/", 1)[-1]),
                shown_name(b"hot/" + oddity.relative),
                oddity.sentence,
                oddity.next,
            )
            for oddity in look.oddities
        ]
        lines.extend(line for _, line in self._unfit.values())
        lines.extend(self._order_sheets.lines)
        for job in self._growing.cut_off:
            row = self._workshop.ledger.read.job(job)
            if row is not None:
                lines.append(
                    WaitingLine(
                        job,
                        row.original_name,
                        f"hot/{row.surface}",
                        "It ends too early and is young: it may still be arriving.",
                        "If the copy was cut off, copy it again.",
                    )
                )
        lines.extend(
            WaitingLine(None, "the service", "", error.sentence, error.hint)
            for error in self._own_troubles()
        )
        return lines


def _result(future: Future[Any]) -> Any:
    error = future.exception()
    if error is None:
        return future.result()
    if isinstance(error, DiskFull):
        return Failure("world", error.sentence)
    if isinstance(error, PlatemarkError):
        raise error
    return Failure("bug", "a mistake of ours", "".join(traceback.format_exception(error)))
