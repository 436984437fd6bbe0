"""One turn of the service: take answers and drops in, move every job on, close and deliver."""

from __future__ import annotations

import traceback
from collections.abc import Callable, Iterator
from concurrent.futures import Future, ThreadPoolExecutor
from contextlib import suppress
from dataclasses import dataclass
from functools import partial
from typing import Any
from zoneinfo import ZoneInfo

import structlog

from platemark.engine import examine, render
from platemark.engine.closing import newest_closings
from platemark.engine.deliver import Couriers
from platemark.engine.growing import Growing
from platemark.engine.holding import Holding
from platemark.engine.hot_side import Silent
from platemark.engine.hurry import Hurry
from platemark.engine.lifecycle import TRANSITIONS
from platemark.engine.morning import Morning
from platemark.engine.pack import close_due
from platemark.engine.recall_work import finish_recalls
from platemark.engine.roster import Moving, Roster
from platemark.engine.sets import Sets
from platemark.engine.taking_in import MISTAKE_HINT, TakingIn
from platemark.engine.upkeep import Upkeep
from platemark.engine.waiting_note import WaitingNote
from platemark.engine.workshop import ROOM_HINT, Workshop
from platemark.ledger.read import JobRow
from platemark.model.errors import DiskFull, PlatemarkError
from platemark.model.job import shown_name
from platemark.model.notice import WaitingLine
from platemark.model.work import Failure, ProbeReport

CLOSING_S = 10.0
"""Without news, parcels that close after a quiet while are looked at this often."""
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
    next_look_s: float | None = None
    """Seconds until something may have settled; None where nothing is moving."""


Finish = Callable[[Workshop, JobRow, Any], Callable[[], Any] | None]
"""Records the outcome of a job's work, or says what is to be done before it can be."""


@dataclass(slots=True)
class _Running:
    row: JobRow
    future: Future[Any]
    finish: Finish


class Dispatch:
    """Moves every job of one studio on, a turn at a time; the record is written here only."""

    def __init__(self, workshop: Workshop, *, on_share: bool) -> None:
        """Put the parts together; nothing is looked at yet.

        Args:
            workshop: The open studio.
            on_share: Whether the hot folders' root is on a network share.
        """
        self._workshop = workshop
        self._roster = Roster(workshop.ledger.read)
        self._couriers = Couriers(workshop)
        self._sets = Sets(workshop, self._roster)
        self._running: dict[int, _Running] = {}
        self._taking = TakingIn(
            workshop,
            self._roster,
            on_share,
            guard=self._part,
            paused=self._paused,
            running=self._running.keys,
            note_fault=self._note_fault,
        )
        self._note = WaitingNote(workshop, self._taking.ask)
        # The threads live as long as the service: a child dies with the thread that started it.
        self._threads = ThreadPoolExecutor(workshop.parallel, thread_name_prefix="picture")
        quiet_s = float(workshop.settings.studio.settle.local_s)
        self._holding = Holding(workshop, self._roster, quiet_s, self._threads)
        self._growing = Growing(
            workshop, self._roster, self._taking.ask, self._taking.quiet_s, self._go_on
        )
        self.upkeep = Upkeep(workshop)
        self.hurry = Hurry(workshop, self._roster)
        self.morning = Morning(workshop)
        self._wake: Callable[[], None] = lambda: None
        self._trouble: PlatemarkError | None = None
        self._paused_until = 0.0
        self._head = workshop.ledger.read.head().seq
        self._moved = False
        self._closed: tuple[object, float] = (None, 0.0)
        """What was known when parcels were last closed, and when that was."""
        self._documents: dict[int, tuple[int | None, tuple[int, int]]] = {}
        """Size of the prints that wait to be made, by job and the entry that planned it."""
        self._short: dict[int, str] = {}
        """Jobs for which the disk has not room enough just now."""
        self._mistakes: dict[str, str] = {}
        """Parts of a turn that went wrong by a mistake of ours, until they go right again."""

    def serve(self) -> None:
        """Keep hours, nights and mornings from now on, as the service does; a sweep keeps none."""
        self.hurry.keeps_hours = self.upkeep.nightly = self.morning.daily = True

    def turn(self, *, wake: Callable[[], None] = lambda: None, look: bool = True) -> Turn:
        """Do everything that can be done now.

        Args:
            wake: Called from another thread when a picture's step has come to its end, a hot
                folder has answered, or a courier is back.
            look: Whether to look into the hot folders anew.
        """
        self._wake = self._taking.wake = wake
        self._part("upkeep", partial(self.upkeep.tend, busy=bool(self._running), wake=wake))
        self._part("answers", self._holding.take_answers)
        self._taking.take(look=look)
        self._part("profiles", self._holding.look_again)
        self._collect()
        self._taking.stories.begin("growing", self._watch_growing)
        self._taking.stories.go_on("growing")
        arriving = self._taking.look.moving > 0
        self._part("sets", partial(self._sets.tend, arriving=arriving))
        self._begin()
        self._taking.let_go()
        self._part("held folders", partial(self._holding.show, wake))
        self._part("parcels", self._close_due)
        self._part("deliveries", partial(self._couriers.tend, wake))
        self._part("WAITING.txt", self._show_waiting)
        self._part("morning", partial(self.morning.tend, lambda: tuple(self._lines()), wake))
        self._taking.rest()
        return self._turned()

    def _turned(self) -> Turn:
        before, self._head = self._head, self._workshop.ledger.read.head().seq
        self._moved = self._head != before
        look, paused = self._taking.look, self._paused()
        startable = [] if paused else [r for r in self._startable() if r.job not in self._short]
        return Turn(
            moving=look.moving,
            working=len(self._running)
            + len(startable)
            + self._growing.with_holes
            + self._taking.under_way
            + self._couriers.working
            + (0 if paused else self._holding.drawing),
            growing=len(self._growing.cut_off) + self._taking.still_open,
            moved=self._moved,
            next_look_s=look.next_look_s,
        )

    async def _watch_growing(self) -> None:
        with suppress(Silent):
            await self._growing.watch()

    def _close_due(self) -> None:
        """Close parcels; without news or a closing time that has come, only now and then."""
        workshop, now = self._workshop, self._workshop.clock.monotonic()
        zone = ZoneInfo(workshop.settings.studio.time_zone)
        came = newest_closings(workshop.settings.labs, workshop.clock.now(), zone)
        waiting = (self._roster.jobs("rendered"), self._sets.waiting, came)
        if waiting != self._closed[0] or now - self._closed[1] >= CLOSING_S:
            self._closed = waiting, now
            # Whatever is wrong with a recall keeps no other parcel.
            self._part("recalls", partial(finish_recalls, self._workshop))
            close_due(self._workshop, waiting=self._sets.waiting)

    def close_everything(self) -> None:
        """Close every open parcel whatever the labs' rules say, and deliver."""
        close_due(self._workshop, waiting=self._sets.waiting, everything=True)
        self._couriers.tend(self._wake)

    @property
    def counts(self) -> tuple[int, int, int]:
        """Jobs in work, jobs that wait for the hours of preparing, held jobs."""
        return len(self._running), len(self.hurry.waiting), len(self._roster.jobs("held"))

    @property
    def is_paused(self) -> bool:
        """Whether no new work is begun until something of the world has healed."""
        return self._trouble is not None

    @property
    def troubles(self) -> tuple[PlatemarkError, ...]:
        """What the world refused and is still waited for."""
        unfit = (
            PlatemarkError(f"{line.name}: {line.sentence}", line.next)
            for line in self._taking.unfit
        )
        return (*self._taking.silent, *self._own_troubles(), *unfit)

    @property
    def unread_sheets(self) -> tuple[str, ...]:
        """What is wrong with order sheets that wait to be corrected."""
        return tuple(" ".join(words) for words in self._taking.sheets.troubles)

    @property
    def arriving(self) -> tuple[str, ...]:
        """Paths of files that are still changing, as people read them."""
        return tuple(shown_name(b"hot/" + path) for path in self._taking.look.arriving)

    def _own_troubles(self) -> tuple[PlatemarkError, ...]:
        """All but the files that are not taken in."""
        own = (self._trouble,) if self._trouble is not None else ()
        short = (DiskFull(sentence, ROOM_HINT) for sentence in self._short.values())
        mistakes = (PlatemarkError(sentence, MISTAKE_HINT) for sentence in self._mistakes.values())
        return (*own, *short, *mistakes, *self._couriers.troubles)

    def stop(self) -> None:
        """End every child process and its thread; what was begun is begun anew next time."""
        self._taking.end()
        self.upkeep.stop()
        self.morning.stop()
        self._workshop.children.kill_all()
        self._threads.shutdown(wait=True, cancel_futures=True)

    # -- moving on ---------------------------------------------------------------------------

    def _startable(self) -> list[JobRow]:
        states: tuple[Moving, ...] = ("examined", "claimed")
        waiting = self._sets.waiting | self.hurry.waiting
        return self.hurry.in_order(
            row
            for state in states
            for row in self._roster.jobs(state)
            if row.job not in self._running and row.job not in self._growing.jobs
            if row.state != "examined" or row.job not in waiting
        )

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
            is_over = action() is not False
        except PlatemarkError as error:
            self._note_fault(error)
        except Exception:
            if name not in self._mistakes:
                structlog.get_logger().exception("part-failed", part=name)
            self._mistakes[name] = f"Platemark made a mistake with the {name}; the rest goes on."
        else:
            if is_over:
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

    def _show_waiting(self) -> None:
        lines = tuple(self._lines())
        if self._taking.root_is_seen and not (self._moved and self._note.is_early(lines)):
            self._taking.stories.begin("WAITING.txt", partial(self._note.show, lines))
            self._taking.stories.go_on("WAITING.txt")
        # While hot/ cannot be reached, what is to be said stands in held/.
        self._note.show_in_held(lines if self._taking.root_is_lost else None)

    def _lines(self) -> Iterator[WaitingLine]:
        yield from self._taking.away_lines
        yield from self._holding.lines()
        yield from self._taking.late.lines
        for oddity in self._taking.look.oddities:
            name = shown_name(oddity.relative.rsplit(b"/", 1)[-1])
            where = shown_name(b"hot/" + oddity.relative)
            yield WaitingLine(None, name, where, oddity.sentence, oddity.next)
        yield from self._taking.unfit
        yield from self._taking.sheets.lines
        for job in self._growing.cut_off:
            row = self._roster.job(job)
            if row is not None:
                yield WaitingLine(
                    job,
                    row.original_name,
                    f"hot/{row.surface}",
                    "It ends too early and is young: it may still be arriving.",
                    "If the copy was cut off, copy it again.",
                )
        yield from self._couriers.lines
        yield from self.upkeep.lines()
        yield from self.morning.lines()
        for error in self._own_troubles():
            yield WaitingLine(None, "the service", "", error.sentence, error.hint)


def _result(future: Future[Any]) -> Any:
    error = future.exception()
    if error is None:
        return future.result()
    if isinstance(error, DiskFull):
        return Failure("world", error.sentence)
    if isinstance(error, PlatemarkError):
        raise error
    return Failure("bug", "a mistake of ours", "".join(traceback.format_exception(error)))
