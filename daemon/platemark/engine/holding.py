"""Looks after held jobs, a turn at a time: their folders, their answer sheets, what waits for whom.

A hundred jobs may be held for weeks, so what an entry or a sheet says is read once, not each turn.
"""

from __future__ import annotations

import os
import re
from collections.abc import Callable
from concurrent.futures import Future, ThreadPoolExecutor
from dataclasses import dataclass

from platemark import durable
from platemark.checks import profile_changed, profile_standing
from platemark.engine import decide
from platemark.engine.hold import (
    clear_held,
    drawing_of,
    folder_of,
    in_the_way,
    is_shown,
    show_held,
    stops_of,
)
from platemark.engine.lifecycle import move
from platemark.engine.profiles import question_of
from platemark.engine.workshop import Workshop
from platemark.ledger.read import JobRow
from platemark.model.errors import DiskFault, DiskFull
from platemark.model.finding import Finding
from platemark.model.notice import WaitingLine

_MEANWHILE = "profile-changed-meanwhile"
_FOR_THE_PROFILE = {profile_standing.CODE, profile_changed.CODE, _MEANWHILE}
_JOB_NUMBER = re.compile(r"[0-9]{1,12}")


@dataclass(frozen=True, slots=True)
class _Read:
    """An answer sheet as it was when it was last read to the end, and what was wrong with it."""

    moved_seq: int
    identity: tuple[int, ...]
    refusal: str


class Holding:
    """Every held job of one studio."""

    def __init__(self, workshop: Workshop, quiet_s: float, threads: ThreadPoolExecutor) -> None:
        self._workshop = workshop
        self._quiet_s = quiet_s
        self._threads = threads
        self._stops: dict[int, tuple[int, tuple[Finding, ...]]] = {}
        self._sheets: dict[int, _Read] = {}
        self._blocked: dict[int, str] = {}
        """Jobs whose folder cannot be made, and why."""
        self._drawings: dict[int, tuple[int, Future[bytes | None]]] = {}

    @property
    def drawing(self) -> int:
        """How many pictures are being drawn for their folders."""
        return len(self._drawings)

    def take_answers(self) -> None:
        """Apply what people decided, in `decisions/` and on the sheets in the held folders."""
        try:
            decide.apply_waiting(self._workshop)
        finally:
            # What is wrong with one answer keeps no other waiting.
            held = self._held()
            known = self._sheets
            self._sheets = {row.job: known[row.job] for row in held if row.job in known}
            for row in held:
                self._read_sheet(row)

    def look_again(self) -> None:
        """Take up jobs that waited for a profile alone, once another file is in its place."""
        for row in self._held():
            stops = self._stops_of(row)
            codes = {f.code for f in stops}
            if not codes or not codes <= _FOR_THE_PROFILE or row.lab is None:
                continue
            lab = self._workshop.settings.lab(row.lab)
            product = lab.product_for(row.surface) if lab is not None else None
            if lab is None or product is None:
                continue
            now = question_of(self._workshop, lab, product)
            # A job that an earlier version held does not say, so it is looked at.
            then = dict(stops[0].figures).get("profile", "")
            # What changed while a job was worked on is asked of a person, unless one has spoken.
            unsettled = _MEANWHILE in codes and now not in ("registered", "retired")
            if now == then or unsettled:
                continue
            with self._workshop.ledger.transaction() as transaction:
                body = {"why": "the lab's profile was put in its place, decided or retired"}
                move(transaction, row, "looked-again", "claimed", body)

    def show(self, wake: Callable[[], None]) -> None:
        """Make the folders that are missing, and clear those of jobs that are held no more.

        The picture in a folder is drawn by a child process beside the service's own thread.

        Args:
            wake: Called from another thread when a picture was drawn.
        """
        held = self._held()
        self._blocked = {}
        for row in held:
            if why := in_the_way(self._workshop, row):
                self._blocked[row.job] = why
            elif not is_shown(self._workshop, row):
                self._show_or_say(row, wake)
        standing = {row.job: row.moved_seq for row in held}
        self._drawings = {
            job: each for job, each in self._drawings.items() if standing.get(job) == each[0]
        }
        self._clear({folder_of(self._workshop, row) for row in held})

    def lines(self) -> list[WaitingLine]:
        """What WAITING.txt says of them."""
        lines = []
        for row in self._held():
            stops = self._stops_of(row)
            sentence = " ".join(f.message for f in stops) or "It waits for an answer."
            read = self._sheets.get(row.job)
            then = stops[0].next if len(stops) == 1 else "See WHY.html in its folder."
            if row.job in self._blocked:
                then = self._blocked[row.job]
            elif read is not None and read.refusal:
                then = f"Your answer sheet could not be used: {read.refusal}"
            folder = folder_of(self._workshop, row).relative_to(self._workshop.folders.root)
            lines.append(WaitingLine(row.job, row.original_name, str(folder), sentence, then))
        return lines

    def _held(self) -> list[JobRow]:
        return self._workshop.ledger.read.jobs(state="held")

    def _stops_of(self, row: JobRow) -> tuple[Finding, ...]:
        seq, stops = self._stops.get(row.job, (0, ()))
        if seq != row.moved_seq:
            stops = tuple(f for f in stops_of(self._workshop, row) if f.severity == "stop")
            self._stops[row.job] = row.moved_seq, stops
        return stops

    def _read_sheet(self, row: JobRow) -> None:
        if in_the_way(self._workshop, row):
            return
        identity = self._identity(row)
        read = self._sheets.get(row.job)
        if read is not None and (read.moved_seq, read.identity) == (row.moved_seq, identity):
            return
        answer = decide.read_sheet(self._workshop, row, self._quiet_s)
        if answer is None:
            return
        if not isinstance(answer, str):
            outcome = decide.apply(self._workshop, answer)
            answer = "" if outcome.applied else outcome.sentence
        self._sheets[row.job] = _Read(row.moved_seq, identity, answer)
        if answer:
            decide.say_on_sheet(self._workshop, row, answer)

    def _identity(self, row: JobRow) -> tuple[int, ...]:
        try:
            return durable.identity(os.lstat(folder_of(self._workshop, row) / "ANSWER.txt"))
        except OSError:
            return ()

    def _show_or_say(self, row: JobRow, wake: Callable[[], None]) -> None:
        """Make a folder; a disk that refuses one is told, and keeps nobody else waiting."""
        try:
            self._show(row, wake)
        except DiskFull:
            raise
        except (DiskFault, durable.AlreadyThere) as fault:
            self._blocked[row.job] = f"Its folder cannot be made: {fault}"

    def _show(self, row: JobRow, wake: Callable[[], None]) -> None:
        seq, future = self._drawings.get(row.job, (0, None))
        if future is None or seq != row.moved_seq:
            work = drawing_of(self._workshop, row)
            if work is None:
                show_held(self._workshop, row, None)
                return
            future = self._threads.submit(work)
            self._drawings[row.job] = row.moved_seq, future
            future.add_done_callback(lambda _: wake())
        elif future.done():
            del self._drawings[row.job]
            show_held(self._workshop, row, future.result())

    def _clear(self, wanted: set[object]) -> None:
        for surface in self._workshop.folders.held.iterdir():
            is_ours = surface.is_dir() and not surface.is_symlink()
            for folder in surface.iterdir() if is_ours else ():
                number = folder.name.rpartition("--")[2]
                if folder in wanted or not _JOB_NUMBER.fullmatch(number):
                    continue
                answered = self._workshop.ledger.read.job(int(number))
                if answered is not None and answered.state != "held":
                    clear_held(self._workshop, answered)
