"""Taking in: looks into the hot folders, claims what is settled, lets go of what was read.

Whatever touches a hot folder is done by a `HotSide`, one for each disk or share that hot folders
are on, and another for its copies, so that a share that hangs holds up nothing but itself. What is
decided and recorded is done by the service's own thread, in stories that wait for the sides.
"""

from __future__ import annotations

import secrets
import time
from collections.abc import Awaitable, Callable, Collection, Iterator
from contextlib import suppress
from dataclasses import dataclass, field
from datetime import datetime
from functools import partial
from pathlib import Path
from typing import TypeVar

import structlog

from platemark import durable
from platemark.engine.claim import (
    DOUBTFUL,
    Handed,
    StillWritten,
    TakenIn,
    copy_in,
    is_as_claimed,
    keep,
    letting_go,
    record_claim,
    record_let_go,
)
from platemark.engine.hot_side import Asked, HotSide, NextTurn, Silent, Stories
from platemark.engine.late_requests import LateRequests
from platemark.engine.roster import Roster
from platemark.engine.sheets import OrderSheets
from platemark.engine.workshop import ROOM_HINT, Workshop
from platemark.intake.look import OFFLINE, Look, Sighting, merged
from platemark.intake.mounts import is_network_kind, mounted_below
from platemark.intake.scan import HotFolders, Known
from platemark.ledger.read import DropRow
from platemark.model.errors import FolderGone, PlatemarkError
from platemark.model.job import shown_name
from platemark.model.notice import WaitingLine

T = TypeVar("T")
MISTAKE_HINT = "Nothing is lost. Tell whoever looks after Platemark; the log says more."


@dataclass(slots=True)
class _Section:
    """Hot folders on one disk or share: the root with all that is on it, or one surface's."""

    hot: HotFolders
    looking: HotSide
    copying: HotSide
    quiet_s: float
    on_share: bool
    look: Look = OFFLINE
    looked: bool = False
    """Whether any look has come to its end."""
    mounted: bool = True
    """False while what was mounted on the surface's folder is not."""
    went_through: Look = OFFLINE
    """Where the last claims were from; what was left there waits for the next look."""

    @property
    def silent_since(self) -> datetime | None:
        return self.looking.silent_since or self.copying.silent_since


@dataclass(frozen=True, slots=True)
class _Unfit:
    """A settled file that is not taken in as it is."""

    identity: tuple[int, ...]
    line: WaitingLine
    again: bool
    """Whether it is tried again although it has not changed."""
    arriving: bool = False
    """Whether another program still has it open."""
    since: float = 0.0


@dataclass(slots=True)
class TakingIn:
    """All hot folders of one studio."""

    workshop: Workshop
    roster: Roster
    share: bool
    """Whether the root itself is on a share."""
    guard: Callable[[str, Callable[[], object]], None]
    """Runs a step of a story and sees to what goes wrong in it."""
    paused: Callable[[], bool]
    """Whether nothing new is begun just now."""
    running: Callable[[], Collection[int]]
    """Jobs that are being worked on."""
    note_fault: Callable[[PlatemarkError], None]
    wake: Callable[[], None] = field(default=lambda: None)
    look: Look = OFFLINE
    """The newest that is complete, of all hot folders together."""
    stories: Stories = field(init=False)
    sheets: OrderSheets = field(init=False)
    late: LateRequests = field(init=False)
    _root: _Section = field(init=False)
    _surfaces: dict[bytes, _Section] = field(default_factory=dict)
    _released: Look = OFFLINE
    """The newest look that the order sheets have seen: what is settled in it may be claimed."""
    _fresh: bool = False
    _unfit: dict[bytes, _Unfit] = field(default_factory=dict)
    _told_silent: set[bytes] = field(default_factory=set)
    _changed_at: dict[int, int] = field(default_factory=dict)
    """Of each drop claimed since the start the time of its last change, by job."""
    _resting: bool = False

    def __post_init__(self) -> None:
        """Put the root's section and the stories together; nothing is touched yet."""
        self.stories = Stories(self.guard)
        self.sheets = OrderSheets(self.workshop, self.roster, self.ask)
        self.late = LateRequests(self.workshop, self.ask)
        self._root = self._section(None, on_share=self.share)

    # -- what others ask ---------------------------------------------------------------------

    def ask(self, path: bytes, action: Callable[[], T]) -> Awaitable[T]:
        """Have a hot folder touched by the side that is there for its disk.

        Args:
            path: Of what is touched, under the hot root.
            action: What touches it.
        """
        return self._section_of(path).looking.ask(action)

    def quiet_s(self, surface: str) -> float:
        """The settle time of a surface's hot folder."""
        return self._section_of(surface.encode()).quiet_s

    @property
    def under_way(self) -> int:
        """How many stories are not at their end."""
        return self.stories.waiting

    @property
    def still_open(self) -> int:
        """Settled files that another program has open for writing."""
        return sum(unfit.arriving for unfit in self._unfit.values())

    @property
    def silent(self) -> tuple[PlatemarkError, ...]:
        """What is to be said of hot folders that do not answer."""
        return tuple(
            FolderGone(line.sentence, line.next)
            for name, section in self._sections()
            if section.silent_since is not None
            for line in (self._silence(name, section.silent_since),)
        )

    @property
    def unfit(self) -> tuple[WaitingLine, ...]:
        """What is to be said of settled files that are not taken in."""
        return tuple(unfit.line for unfit in self._unfit.values())

    @property
    def root_is_seen(self) -> bool:
        """Whether the hot root answers and is the one that is known."""
        return self._root.silent_since is None and not self._root.look.offline

    @property
    def root_is_lost(self) -> bool:
        """Whether it does not; false as long as nothing is known."""
        return self._root.silent_since is not None or (
            self._root.looked and self._root.look.offline
        )

    @property
    def away_lines(self) -> Iterator[WaitingLine]:
        """What is to be said of hot folders that cannot be seen."""
        for name, section in self._sections():
            where = _called(name)
            if section.silent_since is not None:
                yield self._silence(name, section.silent_since)
            elif not section.mounted or (section.look.offline and section.looked):
                yield WaitingLine(
                    None, where, "", "The disk or share with this hot folder is not connected.",
                    "Connect it. Nothing counts as removed meanwhile, and all else goes on.",
                )  # fmt: skip

    def _silence(self, name: bytes, since: datetime) -> WaitingLine:
        where, at = _called(name), self.workshop.local(since)
        return WaitingLine(
            None, where, "",
            f"The disk or share with {where} has not answered since {at:%H:%M}.",
            "Nothing is lost, and all that is not on it goes on. Look after the share; what lies "
            "there is taken when it answers.",
        )  # fmt: skip

    # -- a turn ------------------------------------------------------------------------------

    def take(self, *, look: bool) -> None:
        """Look, read order sheets and claim, as far as the disks answer at once.

        Args:
            look: Whether to look anew; without, what was asked before goes on.
        """
        self._resting = False
        for name, section in self._sections():
            self._notice_silence(name, section)
        if look:
            self._begin_to_look()
        self.stories.go_on("look into ")
        if self._fresh:
            self.stories.begin("order sheets", self._tend)
        self.stories.go_on("order sheets")
        for name, section in self._sections():
            if section.went_through is not self._released:
                self.stories.begin(f"drops in {_called(name)}", partial(self._claim_all, name))
        self.stories.begin("late requests", self._see_to_late_requests)
        self.stories.go_on("drops in ", "late requests")

    def let_go(self) -> None:
        """Let go of what was read, as far as the disks answer at once."""
        for name, _ in self._sections():
            self.stories.begin(f"taken in {_called(name)}", partial(self._let_go, name))
        self.stories.go_on("taken in ")

    def rest(self) -> None:
        """End a turn: whoever is waited for wakes us when it answers."""
        self._resting = True
        if self.stories.can_go_on:
            self.wake()

    def end(self) -> None:
        """End all that is under way; a thread that a share holds up is left to itself."""
        self.stories.close()
        for _, section in self._sections():
            section.looking.end()
            section.copying.end()

    # -- looking -----------------------------------------------------------------------------

    def _sections(self) -> Iterator[tuple[bytes, _Section]]:
        yield b"", self._root
        yield from list(self._surfaces.items())

    def _section_of(self, path: bytes) -> _Section:
        return self._surfaces.get(path.split(b"/", 1)[0], self._root)

    def _section(self, only: str | None, *, on_share: bool) -> _Section:
        settle = self.workshop.settings.studio.settle
        quiet_s = float(settle.share_s if on_share else settle.local_s)
        hot = HotFolders(
            self.workshop.folders.hot,
            [surface.id for surface in self.workshop.settings.surfaces],
            quiet_s=quiet_s,
            compare_ctime=not on_share,
            now=self.workshop.clock.monotonic,
            only=only,
        )
        sides = HotSide(self._answered), HotSide(self._answered)
        return _Section(hot, *sides, quiet_s, on_share)

    def _answered(self) -> None:
        self.stories.answered()
        if self._resting:
            self.wake()

    def _begin_to_look(self) -> None:
        for name, section in self._sections():
            # A silent side is asked again only once it has answered.
            if section.looking.silent_since is None:
                self.stories.begin(f"look into {_called(name)}", partial(self._look, name))

    async def _look(self, name: bytes) -> None:
        section = self._section_of(name) if name else self._root
        if name and not section.mounted:
            return
        known = {(row.device, row.inode, row.size, row.mtime_ns) for row in self.roster.drops()}
        known |= self.sheets.known
        try:
            if name:
                section.look = await section.looking.ask(partial(section.hot.look, known))
            else:
                away = frozenset(n for n, each in self._surfaces.items() if not each.mounted)
                look = partial(_look_at_root, self.workshop.folders.hot, section.hot, known, away)
                section.look, mounted = await section.looking.ask(look)
                self._notice_mounts(mounted)
        except Silent:
            section.look = OFFLINE
        section.looked = True
        self._put_together()

    def _put_together(self) -> None:
        others = {name: each.look for name, each in self._surfaces.items()}
        self.look = merged(self._root.look, others)
        self._fresh = True

    def _notice_mounts(self, mounted: dict[bytes, str]) -> None:
        """Look after surface folders on disks of their own apart from the rest."""
        for surface in self.workshop.settings.surfaces:
            name = surface.id.encode()
            section = self._surfaces.get(name)
            if section is None and name in mounted:
                on_share = is_network_kind(mounted[name])
                self._surfaces[name] = self._section(surface.id, on_share=on_share)
                self._begin_to_look()
            elif section is not None:
                section.mounted = name in mounted
                if not section.mounted:
                    section.look = OFFLINE

    def _notice_silence(self, name: bytes, section: _Section) -> None:
        silent = [side.look_after() for side in (section.looking, section.copying)]
        if not any(silent) and name in self._told_silent:
            self._told_silent.discard(name)
            structlog.get_logger().info("hot-folder-answers", folder=_called(name))
        elif section.silent_since is not None and name not in self._told_silent:
            self._told_silent.add(name)
            line = self._silence(name, section.silent_since)
            structlog.get_logger().error("hot-folder-silent", why=line.sentence)
            section.look = OFFLINE
            self._put_together()

    async def _see_to_late_requests(self) -> None:
        with suppress(Silent):
            await self.late.see_to(self._released, self.running())

    async def _tend(self) -> None:
        look, self._fresh = self.look, False
        try:
            with suppress(Silent):
                await self.sheets.tend(look, self.running())
        finally:
            # Where the sheets could not be seen to, they say themselves what may be taken.
            self._released = look

    # -- claiming ----------------------------------------------------------------------------

    async def _claim_all(self, name: bytes) -> None:
        section = self._section_of(name) if name else self._root
        released = section.went_through = self._released
        ours = [s for s in released.settled if self._section_of(s.relative) is section]
        # A look may be older than the last claims.
        known = {(row.inode, row.size, row.mtime_ns) for row in self.roster.drops()}
        there = {sighting.relative for sighting in ours}
        for path in [path for path in self._unfit if self._section_of(path) is section]:
            if path not in there:
                del self._unfit[path]
        for sighting in ours:
            if self.paused() or section.copying.silent_since is not None:
                return
            is_known = (sighting.inode, sighting.size, sighting.mtime_ns) in known
            if not is_known and self.sheets.may_take(sighting.relative):
                await self._take(section, sighting)

    async def _take(self, section: _Section, sighting: Sighting) -> None:
        """Claim a settled file; one that cannot be taken in waits and is told, and no other does.

        It is tried again once it has changed, or where only room was wanting.
        """
        told = self._unfit.get(sighting.relative)
        if told is not None and told.identity == sighting.identity and not told.again:
            return
        name = shown_name(sighting.relative.rsplit(b"/", 1)[-1])
        limit = self.workshop.limits.file_bytes
        if sighting.size > limit:
            self._tell_unfit(
                sighting,
                f"It has {sighting.size:,} bytes, and the studio takes at most {limit:,}.",
                "It stays where it is. Save it smaller, or raise the limit in studio.toml and "
                "start again.",
            )
        elif short := self.workshop.lacks_room(sighting.size, f"take in {name}"):
            self._tell_unfit(sighting, short, ROOM_HINT, again=True)
        else:
            try:
                if await self._claim(section, sighting):
                    self._unfit.pop(sighting.relative, None)
            except PlatemarkError as error:
                self.note_fault(error)
            except Silent:
                pass
            except Exception:
                structlog.get_logger().exception("drop-not-taken", name=name)
                self._tell_unfit(sighting, "Platemark made a mistake with it.", MISTAKE_HINT)

    async def _claim(self, section: _Section, sighting: Sighting) -> bool:
        """Copy a file in and make it a job, or one for each row that asks for it.

        Returns:
            False where it was not taken, and that was told.
        """
        workshop, path = self.workshop, sighting.relative
        if workshop.settings.surface(sighting.surface) is None:
            return True
        rows = self.sheets.rows_of(path)
        spool = workshop.folders.scratch("spool") / secrets.token_hex(8)
        patient = self._may_be_open(sighting)
        copy = partial(copy_in, workshop, sighting, rows, spool, patient=patient)
        try:
            taken = await self._copying(section, copy, spool)
        except StillWritten:
            self._tell_open(sighting)
            return False
        if taken is None:
            return True
        while "order sheets" in self.stories:
            await NextTurn()
        if not self.sheets.may_take(path) or self.sheets.rows_of(path) != rows:
            # A sheet that came while a large file was copied counts: it is copied anew by that.
            durable.remove_file(spool)
            return True
        await section.copying.ask(partial(keep, workshop, sighting, taken), lives=time.monotonic)
        first, *_ = record_claim(workshop, sighting, taken)
        self._changed_at[first] = sighting.identity[-1]
        return True

    def _copying(
        self, section: _Section, copy: Callable[[], TakenIn | None], spool: Path
    ) -> Asked[TakenIn | None]:
        # A copy that grows is alive, however long it takes; one that was given up is nobody's.
        return section.copying.ask(
            copy, lives=partial(_size_of, spool), undo=lambda _: durable.remove_file(spool)
        )

    def _may_be_open(self, sighting: Sighting) -> bool:
        """Whether it is still waited for a program that has a settled file open."""
        told = self._unfit.get(sighting.relative)
        if told is None or told.identity != sighting.identity or not told.arriving:
            return True
        minutes = self.workshop.settings.studio.settle.truncated_wait_min
        return self.workshop.clock.monotonic() - told.since < minutes * 60

    def _tell_open(self, sighting: Sighting) -> None:
        told = self._unfit.get(sighting.relative)
        same = told is not None and told.identity == sighting.identity and told.arriving
        since = told.since if told is not None and same else self.workshop.clock.monotonic()
        self._tell_unfit(
            sighting,
            "Another program still has it open for writing, so it may not be whole yet.",
            "It is taken when that program has closed it.",
            again=True,
            arriving=True,
            since=since,
        )

    def _tell_unfit(
        self, sighting: Sighting, sentence: str, then: str, *,
        again: bool = False, arriving: bool = False, since: float = 0.0,
    ) -> None:  # fmt: skip
        name = shown_name(sighting.relative.rsplit(b"/", 1)[-1])
        where = shown_name(b"hot/" + sighting.relative.rsplit(b"/", 1)[0])
        line = WaitingLine(None, name, where, sentence, then)
        self._unfit[sighting.relative] = _Unfit(sighting.identity, line, again, arriving, since)

    # -- letting go --------------------------------------------------------------------------

    async def _let_go(self, name: bytes) -> None:
        section = self._section_of(name) if name else self._root
        if section.look.offline:
            return
        claimed = {row.job for row in self.roster.jobs("claimed")}
        for drop in self.roster.drops():
            is_ours = self._section_of(bytes.fromhex(drop.path_hex)) is section
            is_read = is_ours and drop.job not in claimed
            if not is_read:
                continue
            try:
                handed = await self._handed(section, drop)
            except Silent:
                return
            # Its folder may have been asked twice, where it was silent in between.
            if handed is not None and self.roster.drop_of(drop.job) is not None:
                record_let_go(self.workshop, drop.job, handed)
                self._changed_at.pop(drop.job, None)

    async def _handed(self, section: _Section, drop: DropRow) -> Handed | None:
        """Have a drop moved away, and see first to it that it is what was claimed."""
        changed_at = self._changed_at.get(drop.job)
        move_away = letting_go(self.workshop, drop, changed_at, is_proved=section.on_share)
        if move_away is None:
            return None
        handed = await section.looking.ask(move_away)
        if handed is not DOUBTFUL:
            return handed
        prove = partial(is_as_claimed, self.workshop, drop)
        if not await section.copying.ask(prove, lives=time.monotonic):
            return Handed("changed")
        move_away = letting_go(self.workshop, drop, changed_at, is_proved=True)
        return await section.looking.ask(move_away) if move_away is not None else None


def _called(name: bytes) -> str:
    """A section as people call it."""
    return shown_name(b"hot/" + name).rstrip("/")


def _look_at_root(
    root: Path,
    hot: HotFolders,
    known: Known,
    away: frozenset[bytes],
) -> tuple[Look, dict[bytes, str]]:
    mounted = mounted_below(root)
    return hot.look(known, mounted.keys() | away), mounted


def _size_of(spool: Path) -> int:
    try:
        return spool.stat().st_size
    except OSError:
        return -1
