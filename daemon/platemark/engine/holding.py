"""Looks after held jobs, a turn at a time: their folders, their answer sheets, what waits for whom.

Hundreds of jobs may be held for weeks, so what an entry or a sheet says is read once, not each
turn, and a turn looks at some of their folders only.
"""

from __future__ import annotations

import os
import re
import time
from collections.abc import Callable
from concurrent.futures import Future, ThreadPoolExecutor
from dataclasses import dataclass
from pathlib import Path
from typing import Any

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
from platemark.engine.roster import Roster
from platemark.engine.workshop import Workshop
from platemark.ledger.read import JobRow
from platemark.model.errors import DiskFault, DiskFull
from platemark.model.finding import Finding
from platemark.model.notice import WaitingLine

_MEANWHILE = "profile-changed-meanwhile"
_FOR_THE_PROFILE = {profile_standing.CODE, profile_changed.CODE, _MEANWHILE}
LOOKED_AT_ONCE = 200
"""Folders that one turn looks into."""
AT_ONCE_S = 0.5
"""After so long in the making of folders a turn goes on; the next makes more."""
_JOB_NUMBER = re.compile(r"[0-9]{1,12}")


@dataclass(frozen=True, slots=True)
class _Read:
    """An answer sheet as it was when it was last read to the end, and what was wrong with it."""

    moved_seq: int
    identity: tuple[int, ...]
    refusal: str


class _Turns:
    """Gives a long row in pieces, so that no turn looks at all of it."""

    def __init__(self) -> None:
        self._at = 0

    def some_of(self, rows: tuple[JobRow, ...]) -> tuple[JobRow, ...]:
        """The next piece, from the beginning again after the end."""
        at = self._at if self._at < len(rows) else 0
        self._at = at + LOOKED_AT_ONCE
        return rows[at : self._at]


class Holding:
    """Every held job of one studio."""

    def __init__(
        self, workshop: Workshop, roster: Roster, quiet_s: float, threads: ThreadPoolExecutor
    ) -> None:
        self._workshop = workshop
        self._roster = roster
        self._quiet_s = quiet_s
        self._threads = threads
        self._stops: dict[int, tuple[int, tuple[Finding, ...]]] = {}
        self._sheets: dict[int, _Read] = {}
        self._blocked: dict[int, str] = {}
        """Jobs whose folder cannot be made, and why."""
        self._drawings: dict[int, tuple[int, Future[bytes | None]]] = {}
        self._lines: dict[int, tuple[int, str, str, WaitingLine]] = {}
        """What was said last of each job, with what it depends on."""
        self._places: dict[int, tuple[str, Path]] = {}
        self._shown: dict[int, int] = {}
        """Jobs whose folder was made or seen whole, by the entry that holds them."""
        self._sheets_turn, self._shown_turn = _Turns(), _Turns()
        self._cleared: tuple[JobRow, ...] | None = None
        self._unmade = 0
        self._news = 0
        """Counts what was found out besides the record, for what is said depends on it."""
        self._told: tuple[tuple[JobRow, ...], int, list[WaitingLine]] = (), -1, []
        self._for_profile: tuple[tuple[JobRow, ...], list[JobRow]] = (), []
        """The jobs that wait for a profile alone, and the held jobs that they were found among."""

    @property
    def drawing(self) -> int:
        """How many folders are still to be made, those whose pictures are being drawn included."""
        return self._unmade

    def take_answers(self) -> None:
        """Apply what people decided, in `decisions/` and on the sheets in the held folders."""
        try:
            decide.apply_waiting(self._workshop)
        finally:
            # What is wrong with one answer keeps no other waiting.
            for row in self._sheets_turn.some_of(self._held()):
                self._read_sheet(row)

    def look_again(self) -> None:
        """Take up jobs that waited for a profile alone, once another file is in its place."""
        for row in self._waiting_for_profiles():
            stops = self._stops_of(row)
            codes = {f.code for f in stops}
            lab = self._workshop.settings.lab(row.lab or "")
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

    def _waiting_for_profiles(self) -> list[JobRow]:
        held = self._held()
        if held is not self._for_profile[0]:
            codes = ((row, {f.code for f in self._stops_of(row)}) for row in held if row.lab)
            waiting = [row for row, stops in codes if stops and stops <= _FOR_THE_PROFILE]
            self._for_profile = held, waiting
        return self._for_profile[1]

    def show(self, wake: Callable[[], None]) -> None:
        """Make the folders that are missing, and clear those of jobs that are held no more.

        The picture in a folder is drawn by a child process beside the service's own thread.

        Args:
            wake: Called from another thread when a picture was drawn.
        """
        held, began = self._held(), time.monotonic()
        self._unmade = 0
        if held is not self._cleared:
            self._forget({row.job: row.moved_seq for row in held})
        new = [row for row in held if self._shown.get(row.job) != row.moved_seq]
        for row in (*new, *self._shown_turn.some_of(held)):
            why = in_the_way(self._workshop, row)
            self._news += why != self._blocked.get(row.job, "")
            if why:
                self._blocked[row.job] = why
                continue
            self._blocked.pop(row.job, None)
            if is_shown(self._workshop, row):
                self._shown[row.job] = row.moved_seq
            else:
                self._shown.pop(row.job, None)
                self._show_or_say(row, wake)
            if time.monotonic() - began > AT_ONCE_S:
                break
        if held is not self._cleared:
            self._clear({self._place(row)[1] for row in held})
            self._cleared = held
        self._unmade = sum(
            self._shown.get(row.job) != row.moved_seq and row.job not in self._blocked
            for row in new
        )

    def lines(self) -> list[WaitingLine]:
        """What WAITING.txt says of them."""
        held = self._held()
        if (held, self._news) != self._told[:2]:
            self._told = held, self._news, [self._line(row) for row in held]
        return self._told[2]

    def _line(self, row: JobRow) -> WaitingLine:
        read = self._sheets.get(row.job)
        blocked, refusal = self._blocked.get(row.job, ""), read.refusal if read is not None else ""
        *depends, line = self._lines.get(row.job, (0, "", "", None))
        if line is not None and depends == [row.moved_seq, blocked, refusal]:
            return line
        stops = self._stops_of(row)
        sentence = " ".join(f.message for f in stops) or "It waits for an answer."
        then = stops[0].next if len(stops) == 1 else "See WHY.html in its folder."
        if blocked:
            then = blocked
        elif refusal:
            then = f"Your answer sheet could not be used: {refusal}"
        folder = self._place(row)[1].relative_to(self._workshop.folders.root)
        line = WaitingLine(row.job, row.original_name, str(folder), sentence, then)
        self._lines[row.job] = row.moved_seq, blocked, refusal, line
        return line

    def _held(self) -> tuple[JobRow, ...]:
        return self._roster.jobs("held")

    def _place(self, row: JobRow) -> tuple[str, Path]:
        """The path of a job's answer sheet, and its folder."""
        place = self._places.get(row.job)
        if place is None:
            folder = folder_of(self._workshop, row)
            place = self._places[row.job] = str(folder / "ANSWER.txt"), folder
        return place

    def _forget(self, standing: dict[int, int]) -> None:
        """Forget everything of jobs that are held no more, or anew."""
        self._drawings = {
            job: each for job, each in self._drawings.items() if standing.get(job) == each[0]
        }
        memories: tuple[dict[int, Any], ...] = (
            self._stops, self._sheets, self._blocked, self._lines, self._places, self._shown,
        )  # fmt: skip
        for memory in memories:
            for job in [job for job in memory if job not in standing]:
                del memory[job]

    def _stops_of(self, row: JobRow) -> tuple[Finding, ...]:
        seq, stops = self._stops.get(row.job, (0, ()))
        if seq != row.moved_seq:
            stops = tuple(f for f in stops_of(self._workshop, row) if f.severity == "stop")
            self._stops[row.job] = row.moved_seq, stops
        return stops

    def _read_sheet(self, row: JobRow) -> None:
        identity = self._identity(row)
        read = self._sheets.get(row.job)
        if read is not None and (read.moved_seq, read.identity) == (row.moved_seq, identity):
            return
        if in_the_way(self._workshop, row):
            return
        answer = decide.read_sheet(self._workshop, row, self._quiet_s)
        if answer is None:
            return
        if not isinstance(answer, str):
            outcome = decide.apply(self._workshop, answer)
            answer = "" if outcome.applied else outcome.sentence
        self._sheets[row.job] = _Read(row.moved_seq, identity, answer)
        self._news += 1
        if answer:
            decide.say_on_sheet(self._workshop, row, answer)

    def _identity(self, row: JobRow) -> tuple[int, ...]:
        try:
            return durable.identity(os.lstat(self._place(row)[0]))
        except OSError:
            return ()

    def _show_or_say(self, row: JobRow, wake: Callable[[], None]) -> None:
        """Make a folder; one that is refused is told, and keeps nobody else waiting.

        Raises:
            DiskFault: the disk itself fails.
        """
        try:
            self._show(row, wake)
        except DiskFull:
            raise
        except (DiskFault, durable.AlreadyThere) as fault:
            if isinstance(fault, DiskFault) and fault.is_failing:
                raise
            self._blocked[row.job] = f"Its folder cannot be made: {fault}"
            self._news += 1

    def _show(self, row: JobRow, wake: Callable[[], None]) -> None:
        seq, future = self._drawings.get(row.job, (0, None))
        if future is None or seq != row.moved_seq:
            work = drawing_of(self._workshop, row)
            if work is None:
                show_held(self._workshop, row, None)
                self._shown[row.job] = row.moved_seq
                return
            future = self._threads.submit(work)
            self._drawings[row.job] = row.moved_seq, future
            future.add_done_callback(lambda _: wake())
        elif future.done():
            del self._drawings[row.job]
            show_held(self._workshop, row, future.result())
            self._shown[row.job] = row.moved_seq

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
