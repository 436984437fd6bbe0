"""Order sheets on their way: read, matched with pictures that come in any order, let go.

A sheet counts from the entry `sheet-read` to the entry `sheet-let-go`. In between each of its rows
becomes one job; the jobs' own entries name the sheet and the row, so a start finds out from the
record what was done already, and nothing is done twice. A sheet that was corrected, or removed and
dropped again, takes the place of the earlier one, and what that had ordered is compared with it.
"""

from __future__ import annotations

import os
from collections.abc import Collection
from dataclasses import dataclass, field
from datetime import datetime, timedelta
from functools import partial
from pathlib import Path

import structlog

from platemark import durable
from platemark.engine.claim import Ask, Ordered
from platemark.engine.hot_side import Silent
from platemark.engine.late_rows import BUSY, Standing, match, missing
from platemark.engine.roster import Roster
from platemark.engine.sheet_notes import SheetNotes
from platemark.engine.sheet_record import Claims, SheetRecord, Version
from platemark.engine.workshop import Workshop
from platemark.intake.drop_files import let_sheet_go, open_sheet
from platemark.intake.look import Look, Sighting
from platemark.intake.order_sheet import (
    LARGEST,
    Files,
    OrderSheet,
    Row,
    read_sheet,
)
from platemark.intake.sheet_answer import SheetAnswer, sheet_answer, waiting_words
from platemark.model.errors import DiskFault
from platemark.model.job import job_number, shown_name
from platemark.model.notice import WaitingLine

UNSETTLED_WAIT_S = 600
"""Pictures wait so long for a sheet that is still being written, or for their other copies."""

MOST_COMPARED = 20
"""Missing files for which one of much the same name is looked for; it takes a while."""


@dataclass(slots=True)
class _Open:
    """A sheet that lies in the hot folders."""

    sighting: Sighting
    sheet: OrderSheet
    version: Version | None
    """None where it has mistakes."""
    since: float
    """When it was first seen, by our monotonic clock."""
    jobs: dict[int, tuple[int, bytes]] = field(default_factory=dict)
    """Rows that have their job: its number, and the path of its drop."""
    notes: dict[int, str] = field(default_factory=dict)
    """By job, what somebody should know of it."""
    left_out: dict[int, str] = field(default_factory=dict)
    """By job, that no row asks for it any more, as it is now: a job that was only just claimed is
    no row's until the next look."""
    answer: SheetAnswer | None = None
    stuck: str = ""
    """Why it could not be moved away."""

    @property
    def path(self) -> bytes:
        return self.sighting.relative

    @property
    def folder(self) -> bytes:
        return self.path.rpartition(b"/")[0]


@dataclass(slots=True)
class _World:
    """What lies in the hot folders and is under way, at one look."""

    present: Files
    settled: frozenset[bytes]
    still: bool
    """Whether nothing is being copied."""
    running: Collection[int]
    claimed: Collection[int]
    """Jobs that are not examined yet."""
    compared: int = 0

    def like(self, file: str) -> str:
        """A file of much the same name; only the first few that are missing are compared."""
        if not self.still or self.compared >= MOST_COMPARED:
            return ""
        self.compared += 1
        return self.present.like(file)


@dataclass(frozen=True, slots=True)
class _Meant:
    """The files that a row means; more than one where it cannot be told."""

    paths: tuple[bytes, ...]
    sure: bool = True
    """False for one of another surface while one of the row's own may be on its way."""


class OrderSheets:
    """Looks after the order sheets of one studio, a look at a time."""

    def __init__(self, workshop: Workshop, roster: Roster, ask: Ask) -> None:
        self._workshop = workshop
        self._roster = roster
        self._ask = ask
        self._record = SheetRecord(workshop, ask)
        self._found_moved = False
        self._claims = Claims(workshop.ledger.read)
        self._sheets: dict[bytes, _Open] = {}
        self._rows: dict[bytes, list[Ordered]] = {}
        self._kept_back: set[bytes] = set()
        self._scopes: tuple[bytes, ...] = ()
        self._moving_since: dict[bytes, float] = {}
        self._sure = True
        self._any = False
        self._seen: object = None
        self._notes = SheetNotes(workshop.folders.hot, ask)

    @property
    def known(self) -> set[tuple[int, int, int, int]]:
        """Device, inode, size and time of every sheet that was read: it may vanish quietly."""
        seen = (each.sighting for each in self._sheets.values())
        return {(each.device, each.inode, each.size, each.mtime_ns) for each in seen}

    @property
    def lines(self) -> tuple[WaitingLine, ...]:
        """What WAITING.txt says."""
        lines = []
        for path, each in sorted(self._sheets.items()):
            where = shown_name((b"hot/" + each.folder).rstrip(b"/"))
            if each.stuck:
                words: tuple[str, str] = (each.stuck, "The jobs are safe. Remove the sheet.")
            elif each.answer is not None:
                words = waiting_words(each.answer)
            else:
                continue
            lines.append(WaitingLine(None, shown_name(path.rsplit(b"/", 1)[-1]), where, *words))
        for path in self._notes.finished:
            where = shown_name((b"hot/" + path).rpartition(b"/")[0])
            lines.append(
                WaitingLine(
                    None, shown_name(path.rsplit(b"/", 1)[-1]), where,
                    "It says what became of an order sheet that is finished.",
                    "Read it, then remove it.",
                )
            )  # fmt: skip
        return tuple(lines)

    @property
    def troubles(self) -> tuple[tuple[str, str], ...]:
        """Sheets with mistakes: a sentence and what to do next."""
        found = []
        for each in self._sheets.values():
            if each.answer is not None and each.answer.mistakes:
                sentence, then = waiting_words(each.answer)
                found.append((f"{each.sheet.name}: {sentence}", then))
        return tuple(found)

    def may_take(self, path: bytes) -> bool:
        """Whether no sheet stands in the way of claiming a settled picture."""
        if not self._sure:
            return not self._any
        return path not in self._kept_back and not path.startswith(self._scopes)

    def rows_of(self, path: bytes) -> tuple[Ordered, ...]:
        """The rows that ask for a picture."""
        return tuple(self._rows.get(path, ()))

    async def tend(self, look: Look, running: Collection[int]) -> None:
        """Read what is new, follow every row that can be followed, and let go of what is done.

        Args:
            look: What the hot folders hold.
            running: Jobs that are being worked on.

        Raises:
            Silent: a hot folder does not answer.
        """
        if look.offline:
            return
        self._sure = False
        self._any = bool(look.sheets or look.moving_sheets or look.shut_sheets)
        if not self._found_moved:
            await self._record.find_moved()
            self._found_moved = True
        await self._forget_gone(look)
        self._scopes = self._barred(look)
        for sighting in look.sheets:
            if not await self._read(sighting):
                self._scopes += (_scope(sighting.relative),)
        seen = (
            self._workshop.ledger.read.head().seq, look.sheets, look.settled, look.arriving,
            look.moving > 0, frozenset(running), self._scopes,
            self._workshop.clock.monotonic() // 5,
        )  # fmt: skip
        if self._sheets and seen != self._seen:
            await self._follow_all(look, running)
        elif not self._sheets:
            self._rows, self._kept_back = {}, set()
        self._seen = seen
        await self._notes.clear(look)
        self._sure = True

    # -- reading -----------------------------------------------------------------------------

    def _barred(self, look: Look) -> tuple[bytes, ...]:
        """Where pictures wait because a sheet there cannot be read yet."""
        now = self._workshop.clock.monotonic()
        since = {path: self._moving_since.get(path, now) for path in look.moving_sheets}
        self._moving_since = since
        moving = (path for path, first in since.items() if now - first < UNSETTLED_WAIT_S)
        return tuple(_scope(path) for path in (*moving, *look.shut_sheets))

    async def _read(self, sighting: Sighting) -> bool:
        """Read a settled sheet that is new or has changed; False where it is not there any more."""
        before = self._sheets.get(sighting.relative)
        if before is not None and before.sighting.identity == sighting.identity:
            return True
        try:
            data = await self._ask(sighting.relative, partial(self._bytes_of, sighting))
        except OSError as error:
            structlog.get_logger().warning("sheet-unreadable", why=error.strerror)
            return False
        if data is None:
            return False
        settings = self._workshop.settings
        sheet = read_sheet(
            shown_name(sighting.relative.rsplit(b"/", 1)[-1]),
            data,
            folder_surface=sighting.surface or None,
            surfaces=[surface.id for surface in settings.surfaces],
            labs=[lab.id for lab in settings.labs],
            most_rows=settings.studio.limits.sheet_rows,
        )
        version = None if sheet.mistakes else self._record.begin(sighting, sheet, data)
        now = self._workshop.clock.monotonic()
        opened = _Open(sighting, sheet, version, since=now)
        if before is not None and before.version == version:
            opened.jobs, opened.notes, opened.since = before.jobs, before.notes, before.since
        self._sheets[sighting.relative] = opened
        self._seen = None
        return True

    def _bytes_of(self, sighting: Sighting) -> bytes | None:
        """What stands in a sheet; None where it is not the file that was seen."""
        descriptor = open_sheet(self._workshop.folders.hot, sighting.relative)
        with os.fdopen(descriptor, "rb") as file:
            if durable.identity(os.fstat(file.fileno())) != sighting.identity:
                return None
            return file.read(LARGEST + 1)

    async def _forget_gone(self, look: Look) -> None:
        """Record of every sheet that was read and lies there no more what became of it."""
        there = {sheet.relative for sheet in look.sheets}
        there.update(look.moving_sheets, look.shut_sheets)
        for path in [path for path in self._sheets if path not in there]:
            if look.is_away(path):
                there.add(path)
            elif not await self._ask(path, partial(os.path.lexists, self._at(path))):
                self._sheets.pop(path, None)
                self._seen = None
        for version in self._record.open():
            if version.path not in there and not look.is_away(version.path):
                await self._record.find_gone(version)

    # -- following ---------------------------------------------------------------------------

    async def _follow_all(self, look: Look, running: Collection[int]) -> None:
        settled = frozenset(sighting.relative for sighting in look.settled)
        here = (*settled, *look.arriving)
        claimed = {row.job for row in self._roster.jobs("claimed")}
        world = _World(Files(here), settled, look.moving == 0, running, claimed)
        self._rows, self._kept_back = {}, set()
        opened = [each for each in self._sheets.values() if each.version is not None]
        if opened:
            self._claims.catch_up(min(self._reaches_back(each) for each in opened))
        lying = {sheet.relative for sheet in look.sheets}
        for each in list(self._sheets.values()):
            if each.path not in lying:
                # It is being changed: what it said last may count no longer.
                self._keep_back(each, world, here)
            elif each.version is None:
                held_back = self._keep_back(each, world, here)
                await self._tell(each, {}, held_back=held_back)
            else:
                await self._follow(each, each.version, world)

    def _keep_back(self, each: _Open, world: _World, here: Collection[bytes]) -> int:
        """Let the pictures wait that a sheet may mean; gives how many are here."""
        below = _scope(each.path)
        meant = {p for p in here if p.startswith(below) and each.sheet.may_mean(p)}
        for row in each.sheet.rows:
            meant.update(world.present.find(row, each.folder))
            if not each.folder:
                meant.update(world.present.find_anywhere(row))
        self._kept_back |= meant
        return len(meant)

    async def _follow(self, each: _Open, version: Version, world: _World) -> None:
        standings: dict[int, Standing] = {}
        late: dict[bytes, list[Row]] = {}
        lately = self._claims.paths(self._reaches_back(each), version.lineage)
        earlier = Files(lately)
        for row in each.sheet.rows:
            if row.number in each.jobs and not self._is_here_again(each, row, world):
                standings[row.number] = self._followed(each, row, world)
                continue
            meant = self._meant(each, row, world, earlier)
            standings[row.number] = self._place(each, row, meant, world)
            (path, *others) = meant.paths or (b"",)
            if meant.sure and not others and path in lately and not world.present.has(path):
                late.setdefault(path, []).append(row)
        for path, rows in late.items():
            standings.update(await self._late(each, version, path, rows, world))
        await self._conclude(each, version, standings, quiet=world.still)

    @staticmethod
    def _is_here_again(each: _Open, row: Row, world: _World) -> bool:
        """Whether the file of a row that has its job was dropped anew; then the row counts anew."""
        found = world.present.find(row, each.folder)
        if not found and not each.folder:
            found = world.present.find_anywhere(row)
        if found != (each.jobs[row.number][1],):
            return False
        del each.jobs[row.number]
        return True

    @staticmethod
    def _followed(each: _Open, row: Row, world: _World) -> Standing:
        # Until its job is examined, its file may turn out to be still arriving.
        return BUSY if each.jobs[row.number][0] in world.claimed else Standing("done")

    def _meant(self, each: _Open, row: Row, world: _World, earlier: Files) -> _Meant:
        """The files that a row means: those that are here, else those that were claimed before."""
        found = world.present.find(row, each.folder) or earlier.find(row, each.folder)
        if found or each.folder or row.surface is None:
            return _Meant(found)
        # One picture may be ordered on several surfaces; but its other copies may be on their way.
        elsewhere = world.present.find_anywhere(row) or earlier.find_anywhere(row)
        waited = self._workshop.clock.monotonic() - each.since >= UNSETTLED_WAIT_S
        return _Meant(elsewhere, sure=world.still or waited or not elsewhere)

    def _place(self, each: _Open, row: Row, meant: _Meant, world: _World) -> Standing:
        """How a row stands whose file is here, or is not; a claimed one is seen to later."""
        if not meant.paths:
            return missing(row.number, row.file, world.like(row.file))
        if len(meant.paths) > 1 or not meant.sure:
            self._kept_back.update(meant.paths)
        if not meant.sure:
            return BUSY
        if len(meant.paths) > 1:
            shown = " or ".join(shown_name(path) for path in sorted(meant.paths)[:3])
            return Standing(
                "open",
                f"Row {row.number}: {row.file} may be {shown}. Write the folder before the name, "
                "as in wedding/heron.tif.",
            )
        (path,) = meant.paths
        if path in world.settled:
            self._rows.setdefault(path, []).append(self._ordered(each, row, path))
        return BUSY

    @staticmethod
    def _ordered(each: _Open, row: Row, path: bytes) -> Ordered:
        surface = row.surface or os.fsdecode(path.split(b"/", 1)[0])
        return Ordered(each.version.seq if each.version else 0, row.number, surface, row.layer)

    async def _late(
        self, each: _Open, version: Version, path: bytes, rows: list[Row], world: _World
    ) -> dict[int, Standing]:
        """Follow the rows of a file that was claimed before."""
        taken = {job for job, _ in each.jobs.values()}
        matched = await match(
            self._workshop,
            self._ask,
            version,
            rows[0].file,
            [self._ordered(each, row, path) for row in rows],
            self._claims.group(path),
            taken,
            world.running,
        )
        each.jobs.update({row: (job, path) for row, job in matched.jobs.items()})
        each.notes.update(matched.notes)
        found = {row.number for row in rows} & each.jobs.keys()
        followed = {
            row.number: self._followed(each, row, world) for row in rows if row.number in found
        }
        return {**matched.standings, **followed}

    # -- ending ------------------------------------------------------------------------------

    async def _conclude(
        self, each: _Open, version: Version, standings: dict[int, Standing], *, quiet: bool
    ) -> None:
        each.left_out = self._left_out(each, version)
        kinds = {standing.kind for standing in standings.values()}
        over = self._workshop.clock.now() >= version.read_at + self._patience()
        if kinds == {"done"} or ("busy" not in kinds and over):
            await self._let_go(each, version, standings)
        else:
            await self._tell(each, standings, quiet=quiet)

    def _left_out(self, each: _Open, version: Version) -> dict[int, str]:
        """What an earlier version of a sheet ordered and no row of this one asks for."""
        wanted = {job for job, _ in each.jobs.values()}
        notes = {}
        for job in self._claims.ordered_by(version.lineage):
            row = self._workshop.ledger.read.job(job) if job not in wanted else None
            if row is not None:
                notes[job] = (
                    f"Job {job_number(job)} ({row.original_name} on {row.surface}) was ordered by "
                    "this sheet before it was changed, and no row asks for it now. Withdraw it if "
                    "nobody wants it."
                )
        return notes

    async def _let_go(self, each: _Open, version: Version, standings: dict[int, Standing]) -> None:
        await self._tell(each, standings, finished=True)
        try:
            taken = await self._ask(each.path, partial(self._move_away, each, version.seq))
        except (DiskFault, OSError) as fault:
            if isinstance(fault, Silent):
                raise
            # The hot folders may be on a share, and everything was done: no reason to stop.
            why = fault.sentence if isinstance(fault, DiskFault) else f"{fault.strerror}."
            each.stuck = f"It is finished, but it cannot be moved away: {why}"
            structlog.get_logger().warning("sheet-not-moved", why=why)
            return
        if not taken:
            return
        unused = [row for row, standing in standings.items() if standing.kind != "done"]
        jobs = sorted({job for job, _ in each.jobs.values()})
        self._record.end(version, "taken", taken, jobs, sorted(unused))
        del self._sheets[each.path]

    def _move_away(self, each: _Open, number: int) -> str:
        """Move a sheet to `taken/`; its name there, empty where it is gone or another by now."""
        try:
            found = os.lstat(self._at(each.path))
            if durable.identity(found) != each.sighting.identity:
                return ""
            return let_sheet_go(self._workshop.folders.hot, each.path, number).name
        except (FileNotFoundError, NotADirectoryError):
            return ""  # the next look tells

    async def _tell(
        self, each: _Open, standings: dict[int, Standing], *, held_back: int = 0,
        quiet: bool = True, finished: bool = False,
    ) -> None:  # fmt: skip
        """Say beside the sheet how it stands; while files are being copied nothing is hurried."""
        local, now = self._workshop.local, self._workshop.clock.now()
        read_at = each.version.read_at if each.version is not None else now
        if each.version is None and each.answer is not None:
            read_at = each.answer.at
        rows = {row.number: row for row in each.sheet.rows}
        waiting = {n: s for n, s in standings.items() if s.kind in ("missing", "open")}
        missing = [rows[n].file for n, s in waiting.items() if s.kind == "missing"]
        answer = SheetAnswer(
            name=each.sheet.name,
            at=local(read_at),
            files=len({row.file for row in each.sheet.rows}),
            rows=len(rows),
            until=local(read_at + self._patience()),
            mistakes=each.sheet.mistakes,
            held_back=held_back,
            missing=tuple(dict.fromkeys(missing)),
            open_rows=tuple(s.sentence for _, s in sorted(waiting.items())),
            notes=tuple(
                note
                for job, note in sorted({**each.notes, **each.left_out}.items())
                if self._goes_on(job)
            ),
            finished=finished,
        )
        speaks = bool(answer.mistakes or answer.open_rows or (finished and answer.notes))
        if not quiet and not finished:
            return
        each.answer = answer if speaks and not finished else None
        await self._notes.say(each.path, sheet_answer(answer) if speaks else "")

    def _goes_on(self, job: int) -> bool:
        row = self._workshop.ledger.read.job(job)
        return row is not None and row.state != "withdrawn"

    def _at(self, path: bytes) -> Path:
        return self._workshop.folders.hot / os.fsdecode(path)

    def _patience(self) -> timedelta:
        return timedelta(hours=self._workshop.settings.studio.settle.sheet_wait_hours)

    def _reaches_back(self, each: _Open) -> datetime:
        """A sheet speaks of pictures that were claimed as long before it as it waits for others."""
        read_at = each.version.read_at if each.version is not None else self._workshop.clock.now()
        return read_at - self._patience()


def _scope(sheet: bytes) -> bytes:
    """What the paths of pictures begin with that a sheet may speak of."""
    folder = sheet.rpartition(b"/")[0]
    return folder + b"/" if folder else b""
