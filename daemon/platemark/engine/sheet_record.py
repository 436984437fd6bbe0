"""What the record says of order sheets: which were read and not let go, and what they ordered."""

from __future__ import annotations

import os
from collections.abc import Collection
from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from functools import partial
from pathlib import Path

import structlog

from platemark.engine.claim import TEST_OF, Ask
from platemark.engine.workshop import Workshop
from platemark.intake.drop_files import sheet_taken_path
from platemark.intake.look import Sighting
from platemark.intake.order_sheet import OrderSheet
from platemark.ledger.read import Reader
from platemark.ledger.store import stamp
from platemark.model.job import shown_name


@dataclass(frozen=True, slots=True)
class Version:
    """A sheet with the bytes that it had when it was read."""

    seq: int
    """The entry that says so."""
    path: bytes
    """Under the hot root."""
    sha256: str
    read_at: datetime
    lineage: frozenset[int]
    """The entries of this version and of those whose place it took."""
    outcome: str = ""
    """What became of it: `taken`, `removed`, `replaced`; empty while it counts."""


class SheetRecord:
    """Reads and writes the entries of order sheets."""

    def __init__(self, workshop: Workshop, ask: Ask) -> None:
        self._workshop = workshop
        self._ask = ask
        self._versions: dict[bytes, Version] = {}
        """The newest version by path."""
        read = workshop.ledger.read
        for entry in read.entries(kind="sheet-read"):
            body = entry.body
            before = self._versions.get(path := bytes.fromhex(body["path_hex"]))
            lineage = {entry.seq}
            if before is not None and body["after"] == before.seq:
                lineage |= before.lineage
            at = datetime.fromisoformat(entry.at)
            version = Version(entry.seq, path, body["sha256"], at, frozenset(lineage))
            self._versions[path] = version
        for entry in read.entries(kind="sheet-let-go"):
            for path, version in self._versions.items():
                if version.seq == entry.body["sheet"]:
                    self._versions[path] = replace(version, outcome=entry.body["outcome"])

    async def find_moved(self) -> None:
        """Record of sheets that were moved just before a stop that they were; to be called first.

        What lies in the place of such a one now is a new one.

        Raises:
            Silent: a hot folder does not answer.
        """
        for version in self.open():
            if await self._ask(version.path, self._taken_path(version).exists):
                self.end(version, "taken", self._taken_path(version).name)

    def open(self) -> tuple[Version, ...]:
        """Versions that count."""
        return tuple(version for version in self._versions.values() if not version.outcome)

    def begin(self, sighting: Sighting, sheet: OrderSheet, data: bytes) -> Version:
        """Record that a sheet was read, unless this very one was; its bytes go into the archive.

        Raises:
            DiskFull: there is not room enough.
            DiskFault: the disk refuses.
        """
        path = sighting.relative
        sha256 = self._workshop.keep_bytes(data, "csv")
        before = self._versions.get(path)
        if before is not None and not before.outcome and before.sha256 == sha256:
            return before
        follows = before is not None and self._follows(before)
        with self._workshop.ledger.transaction() as transaction:
            if before is not None and not before.outcome:
                transaction.append("sheet-let-go", _ended(before, "replaced"))
            entry = transaction.append(
                "sheet-read",
                {
                    "name": shown_name(path.rsplit(b"/", 1)[-1]),
                    "path_hex": path.hex(),
                    "sha256": sha256,
                    "bytes": str(len(data)),
                    "rows": len(sheet.rows),
                    "after": before.seq if before is not None and follows else None,
                },
            )
        lineage = {entry.seq} | (before.lineage if before is not None and follows else set())
        at = datetime.fromisoformat(entry.at)
        version = Version(entry.seq, path, sha256, at, frozenset(lineage))
        self._versions[path] = version
        structlog.get_logger().info("sheet-read", name=sheet.name, rows=len(sheet.rows))
        return version

    def _follows(self, before: Version) -> bool:
        """Whether a sheet at the same place is a correction of one that was read there."""
        if before.outcome == "taken":
            return False
        hours = self._workshop.settings.studio.settle.sheet_wait_hours
        return self._workshop.clock.now() < before.read_at + timedelta(hours=hours)

    async def find_gone(self, version: Version) -> None:
        """Record what became of a sheet, where it is not in its place any more.

        While its folder is away nothing is decided.

        Raises:
            Silent: the hot folder does not answer.
        """
        outcome = await self._ask(version.path, partial(self._became, version))
        if outcome and not self._versions[version.path].outcome:
            taken = self._taken_path(version).name if outcome == "taken" else ""
            self.end(version, outcome, taken)

    def _became(self, version: Version) -> str:
        at = self._workshop.folders.hot / os.fsdecode(version.path)
        if os.path.lexists(at):
            return ""
        if self._taken_path(version).exists():
            return "taken"
        return "removed" if at.parent.is_dir() else ""

    def end(
        self, version: Version, outcome: str, taken: str = "",
        jobs: Collection[int] = (), unused: Collection[int] = (),
    ) -> None:  # fmt: skip
        """Record that a sheet counts no longer, with its jobs and the rows that came to nothing."""
        body = _ended(version, outcome, taken, jobs, unused)
        with self._workshop.ledger.transaction() as transaction:
            transaction.append("sheet-let-go", body)
        self._versions[version.path] = replace(version, outcome=outcome)
        structlog.get_logger().info("sheet-let-go", outcome=outcome, jobs=len(jobs))

    def _taken_path(self, version: Version) -> Path:
        return sheet_taken_path(self._workshop.folders.hot, version.path, version.seq)


def _ended(
    version: Version, outcome: str, taken: str = "", jobs: Collection[int] = (),
    unused: Collection[int] = (),
) -> dict[str, object]:  # fmt: skip
    return {
        "sheet": version.seq,
        "outcome": outcome,
        "taken": os.fsencode(taken).hex(),
        "jobs": list(jobs),
        "unused_rows": list(unused),
    }


@dataclass(frozen=True, slots=True)
class _Claim:
    job: int
    holder: int
    """The job that had the drop."""
    at: str
    sheet: int | None


class Claims:
    """Which drops were claimed lately, by path; it follows the record as that grows."""

    def __init__(self, reader: Reader) -> None:
        self._read = reader
        self._since = ""
        self._upto = 0
        self._newest: dict[bytes, list[_Claim]] = {}
        """The jobs of the newest drop of each path."""

    def catch_up(self, since: datetime) -> None:
        """Know every claim since a moment."""
        wanted = stamp(since)
        if not self._since or wanted < self._since:
            self._since, self._newest = wanted, {}
            self._upto = self._last_before(wanted)
        for entry in self._read.entries(self._upto, kind="claimed"):
            body = entry.body
            if TEST_OF in body:
                continue  # no row asks for it
            path = bytes.fromhex(body["drop"]["path_hex"])
            holder = int(body.get("drop_of") or entry.job or 0)
            claim = _Claim(entry.job or 0, holder, entry.at, body.get("sheet"))
            group = self._newest.setdefault(path, [])
            if group and group[0].holder != holder:
                group.clear()
            group.append(claim)
            self._upto = entry.seq

    def _last_before(self, wanted: str) -> int:
        """The newest entry that was written before a moment; 0 where none was."""
        low, high = 0, self._read.head().seq
        while low < high:
            middle = (low + high + 1) // 2
            entry = self._read.entry(middle)
            if entry is not None and entry.at < wanted:
                low = middle
            else:
                high = middle - 1
        return low

    def paths(self, since: datetime, lineage: frozenset[int]) -> frozenset[bytes]:
        """Paths whose newest drop was claimed since a moment, or was ordered by certain sheets."""
        wanted = stamp(since)
        return frozenset(
            path
            for path, group in self._newest.items()
            if group[0].at >= wanted or any(claim.sheet in lineage for claim in group)
        )

    def ordered_by(self, lineage: frozenset[int]) -> tuple[int, ...]:
        """Jobs of the newest drops that certain sheets ordered at their claim."""
        return tuple(
            claim.job
            for group in self._newest.values()
            for claim in group
            if claim.sheet in lineage
        )

    def group(self, path: bytes) -> tuple[int, ...]:
        """The jobs of the newest drop of a path, that which had the drop first."""
        return tuple(claim.job for claim in self._newest.get(path, ()))
