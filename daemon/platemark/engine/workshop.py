"""A studio that is open for work: its folders, settings, record, clock and child processes."""

from __future__ import annotations

import hashlib
import os
import shutil
from dataclasses import dataclass, field
from datetime import datetime
from functools import cache
from pathlib import Path
from zoneinfo import ZoneInfo

from platemark import durable
from platemark.engine.clock import Clock
from platemark.imaging.child import Children
from platemark.imaging.icc import build_matrix_profile
from platemark.ledger.store import Ledger
from platemark.model.job import Drop, job_number
from platemark.model.studio import Limits, Settings
from platemark.model.work import ChildLimits, HeaderLimits

SPACES = ("srgb", "adobe-rgb", "display-p3", "romm")


@dataclass(frozen=True, slots=True)
class Folders:
    """Where everything of a studio lies."""

    root: Path
    hot: Path

    @classmethod
    def of(cls, root: Path, settings: Settings) -> Folders:
        """The folders of a studio; a relative hot root is inside it."""
        return cls(root, root / settings.studio.hot.path)

    @property
    def held(self) -> Path:
        """Jobs that wait for a person."""
        return self.root / "held"

    @property
    def outgoing(self) -> Path:
        """Closed parcels."""
        return self.root / "outgoing"

    @property
    def archive(self) -> Path:
        """Originals, print files and profiles, by content."""
        return self.root / "archive"

    @property
    def decisions(self) -> Path:
        """People's answers on their way."""
        return self.root / "decisions"

    @property
    def work(self) -> Path:
        """Ours alone; rebuilt when missing."""
        return self.root / "work"

    @property
    def profiles(self) -> Path:
        """The labs' profiles."""
        return self.root / "profiles"

    @property
    def ledger(self) -> Path:
        """The record."""
        return self.root / "ledger.sqlite3"

    @property
    def lock(self) -> Path:
        """Held by the one service that has the studio."""
        return self.root / ".lock"

    def archived(self, sha256: str, extension: str) -> Path:
        """Where content of that hash is, or will be."""
        return self.archive / sha256[:2] / f"{sha256}.{extension}"

    def scratch(self, kind: str) -> Path:
        """One kind of unfinished things."""
        return self.work / kind

    def held_folder(self, surface: str, name: str, job: int) -> Path:
        """The folder of a held job: `held/<surface>/<name>--000123`."""
        stem = Path(name).name.replace("/", "_").strip(". ") or "picture"
        while len(os.fsencode(stem)) > 200:
            stem = stem[:-1]
        return self.held / surface / f"{stem}--{job_number(job)}"


_SCRATCH = (
    "spool", "faces", "prints", "parcels", "held", "drawings", "papers", "shown",
)  # fmt: skip
ROOM_HINT = "Free some space; Platemark goes on by itself."
ROOM_KEPT = 256 << 20
"""Bytes that no picture may take of the studio's disk."""


@dataclass(slots=True)
class Workshop:
    """What every step works with."""

    folders: Folders
    settings: Settings
    ledger: Ledger
    clock: Clock
    children: Children
    profile_hashes: dict[Path, tuple[tuple[int, int, int, int, int], str]] = field(
        default_factory=dict
    )
    """Hashes of profile files by identity, so that each is read once."""

    @property
    def limits(self) -> Limits:
        """The studio's limits."""
        return self.settings.studio.limits

    @property
    def parallel(self) -> int:
        """Pictures worked on at once."""
        return self.limits.jobs or max(1, (os.cpu_count() or 1) // 2)

    def lacks_room(self, wanted: int, what: str) -> str:
        """Say why something is not begun that would fill the disk; empty where there is room.

        The record and the word to people need room too, so some is kept.

        Args:
            wanted: Bytes that will be written.
            what: What for, as in “There is not room enough to …”.
        """
        if shutil.disk_usage(self.folders.work).free >= wanted + ROOM_KEPT:
            return ""
        return (
            f"There is not room enough on the studio's disk to {what} "
            f"({(wanted + ROOM_KEPT) >> 20:,} MB wanted)."
        )

    def child_limits(self, output_mb: int) -> ChildLimits:
        """What one child process may use."""
        return ChildLimits(
            memory_mb=self.limits.child_memory_mb,
            seconds=self.limits.child_seconds,
            output_mb=output_mb,
            threads=min(4, max(1, (os.cpu_count() or 1) // self.parallel)),
        )

    def header_limits(self) -> HeaderLimits:
        """What is refused from the header."""
        limits = self.limits
        return HeaderLimits(
            limits.pixels,
            limits.side_px,
            limits.file_bytes,
            limits.expansion,
            limits.progressive_pixels,
        )

    def local(self, moment: datetime) -> datetime:
        """A moment in the studio's time zone."""
        return moment.astimezone(ZoneInfo(self.settings.studio.time_zone))

    def prepare_folders(self) -> None:
        """Make every folder that is missing."""
        folders = self.folders
        for folder in (
            folders.held,
            folders.outgoing,
            folders.archive,
            folders.decisions,
            folders.profiles,
            *(folders.scratch(kind) for kind in _SCRATCH),
        ):
            durable.make_folder(folder)
        for space in SPACES:
            self.keep_bytes(build_matrix_profile(space), "icc")

    def keep_bytes(self, data: bytes, extension: str) -> str:
        """Put bytes of ours into the archive by content; gives their hash."""
        sha256 = hashlib.sha256(data).hexdigest()
        target = self.folders.archived(sha256, extension)
        if not target.exists():
            spool = self.folders.scratch("spool") / f"{sha256}.{os.getpid()}"
            durable.remove_file(spool)
            durable.write_new(spool, data, 0o444)
            self.keep_file(spool, sha256, extension)
        return sha256

    def keep_file(self, spool: Path, sha256: str, extension: str) -> Path:
        """Give a synced file of ours its place in the archive.

        A file that is already there is re-read: the same content makes the new copy needless, a
        damaged one is set aside under a name of its own and replaced.
        """
        target = self.folders.archived(sha256, extension)
        durable.make_folder(target.parent)
        spool.chmod(0o444)
        try:
            durable.publish(spool, target)
        except durable.AlreadyThere:
            if durable.hash_file(target) == sha256:
                durable.remove_file(spool)
            else:
                damaged = target.with_name(f"{target.name}.damaged-{self.clock.now():%Y%m%d%H%M%S}")
                durable.publish(target, damaged)
                durable.publish(spool, target)
        return target


@cache
def space_hashes() -> dict[str, str]:
    """SHA-256 of our own profile of each working space."""
    return {space: hashlib.sha256(build_matrix_profile(space)).hexdigest() for space in SPACES}


def drop_path(workshop: Workshop, drop: Drop) -> Path:
    """Where a drop lies, or lay."""
    return Path(os.fsdecode(os.fsencode(workshop.folders.hot) + b"/" + drop.path_bytes))
