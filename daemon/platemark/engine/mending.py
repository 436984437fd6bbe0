"""Damage of what is kept: recorded once, told, and mended where a good copy still lies somewhere.

A damaged file is set aside under a name of its own and never deleted; only a copy whose every byte
has the hash of the record takes its place.
"""

from __future__ import annotations

import os
import secrets
import stat
from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path

import structlog

from platemark import durable
from platemark.engine.archive_check import Fault, hash_from_disk, listed_in, look_again
from platemark.engine.lifecycle import move
from platemark.engine.workshop import Folders, Workshop, space_hashes
from platemark.imaging.icc import build_matrix_profile
from platemark.intake.drop_files import TAKEN
from platemark.ledger.keeping import Damage, Keeping, KeptRow
from platemark.ledger.read import Reader
from platemark.model.errors import PlatemarkError
from platemark.model.job import job_number
from platemark.model.notice import WaitingLine
from platemark.parcel.bag import PAYLOAD_MANIFEST, TAG_MANIFEST

WHOLE = "found whole again"
OUR_OWN = "made anew by Platemark"
MOST_TOLD = 12
"""Damaged files that WAITING.txt names one by one; a dying disk has thousands."""
_UNUSABLE = "file-unprintable"


@dataclass(frozen=True, slots=True)
class Mend:
    """How one damage may be mended."""

    path: str
    expected: str
    copy: Path | None
    """A proved and synced copy among our unfinished things; None where it was found whole."""
    source: str
    """Where the copy was found, or one of the words above."""


def record_damage(workshop: Workshop, faults: Iterable[Fault]) -> int:
    """Record what is damaged and was not known to be; gives how many entries that made."""
    keeping = Keeping(workshop.ledger.read)
    known = {each.path: each.found for each in keeping.damages()}
    fresh = [fault for fault in faults if known.get(fault.path) != fault.found]
    for fault in fresh:
        jobs = _jobs_of(workshop.ledger.read, fault.path, fault.expected)
        with workshop.ledger.transaction() as transaction:
            transaction.append(
                "archive-damaged",
                {
                    "path": fault.path,
                    "kind": fault.kind,
                    "expected": fault.expected,
                    "found": fault.found,
                    "jobs": jobs,
                },
            )
        structlog.get_logger().error(
            "archive-damaged", file=fault.path, found=fault.found, jobs=jobs[:20]
        )
    return len(fresh)


def find_mends(
    reader: Reader,
    folders: Folders,
    damages: Sequence[Damage],
    ending: Callable[[], bool] = lambda: False,
) -> list[Mend]:
    """Look at damaged files once more, and for good copies of those that are still damaged.

    Args:
        reader: The record, of this thread's own.
        folders: The studio's.
        damages: Which.
        ending: As for `archive_check.read_on`.
    """
    mends = []
    for damage in damages:
        fault = look_again(reader, folders.root, damage.path, ending)
        if fault is None:
            mends.append(Mend(damage.path, damage.expected, None, WHOLE))
            continue
        copy = _good_copy(reader, folders, fault, ending) if fault.expected else None
        if copy is not None:
            mends.append(Mend(damage.path, fault.expected, *copy))
    return mends


def record_mends(workshop: Workshop, mends: Iterable[Mend]) -> None:
    """Put good copies in place and record it; jobs that were held for the damage are asked anew."""
    for mend in mends:
        known = Keeping(workshop.ledger.read).damage(mend.path)
        if known is None:
            if mend.copy is not None:
                durable.remove_file(mend.copy)
            continue
        target = workshop.folders.root / mend.path
        set_aside = ""
        if mend.copy is not None and _leads_away(workshop.folders.root, target):
            structlog.get_logger().warning("not-mended", file=mend.path, why="a link on the way")
            durable.remove_file(mend.copy)
            continue
        if mend.copy is not None:
            set_aside = _put_in_place(workshop, mend, target)
        jobs = _jobs_of(workshop.ledger.read, mend.path, mend.expected)
        with workshop.ledger.transaction() as transaction:
            body = {
                "path": mend.path,
                "expected": mend.expected,
                "from": mend.source,
                "set_aside": set_aside,
                "jobs": jobs,
            }
            transaction.append("archive-mended", body)
        structlog.get_logger().warning("archive-mended", file=mend.path, by=mend.source)
        _ask_anew(workshop, jobs)


def damage_lines(workshop: Workshop) -> list[WaitingLine]:
    """What WAITING.txt says of files that are damaged and not mended."""
    damages = Keeping(workshop.ledger.read).damages()
    lines = []
    for damage in damages[:MOST_TOLD]:
        folder, _, name = damage.path.rpartition("/")
        lines.append(WaitingLine(None, name, folder, *damage_words(workshop.ledger.read, damage)))
    if len(damages) > MOST_TOLD:
        more = f"{len(damages) - MOST_TOLD} more kept files are damaged."
        then = "Check that disk before anything else; `platemark doctor` names them all."
        lines.append(WaitingLine(None, "the archive", "", more, then))
    return lines


def damage_words(reader: Reader, damage: Damage) -> tuple[str, str]:
    """A sentence about a damaged file, and what to do."""
    jobs = _jobs_of(reader, damage.path, damage.expected)
    named = ", ".join(job_number(job) for job in jobs[:5]) + (" and more" if jobs[5:] else "")
    of = f" (job {named})" if jobs else ""
    if damage.path.startswith("outgoing/"):
        if not damage.expected:
            return (
                f"It is in a closed parcel and on none of its lists{of}.",
                "Nothing of the parcel is sent like that. Take that file out.",
            )
        what = "is gone from its closed parcel" if _is_gone(damage) else "was changed in its parcel"
        return (
            f"It {what}{of}.",
            "Nothing of the parcel is sent like that. Put the file back, or ask the lab for its "
            "copy.",
        )
    what = "is gone from the archive" if _is_gone(damage) else "is not what was archived"
    return (
        f"It {what}{of}; nothing is printed from it.",
        "No good copy was found in the studio. Put the file back from a backup, and check the "
        "disk; it is looked at again the next night and by `platemark archive verify`.",
    )


def _is_gone(damage: Damage) -> bool:
    return damage.found == "missing"


def _jobs_of(reader: Reader, path: str, sha256: str) -> list[int]:
    """The jobs that a damaged file concerns."""
    if path.startswith("outgoing/"):
        return [row.job for row in reader.jobs(parcel=path.split("/")[2])]
    rows = Keeping(reader).rows_of(sha256)
    return sorted({row.job for row in rows if row.job and row.state == "needed"})


def _leads_away(root: Path, target: Path) -> bool:
    """Whether a link is on the way to a file: who fetches parcels may have put one into them."""
    above = target.relative_to(root).parents
    return any((root / each).is_symlink() for each in above if each != Path())


def _put_in_place(workshop: Workshop, mend: Mend, target: Path) -> str:
    """Set the damaged file aside and give the good copy its place; gives the other's new name."""
    copy = mend.copy
    if copy is None:
        return ""
    durable.make_folder(target.parent)
    set_aside = ""
    in_archive = target.parent.parent == workshop.folders.archive
    if os.path.lexists(target):
        # Nothing may lie in a parcel that is not on its lists, so its files go to the archive.
        base = target if in_archive else workshop.folders.archived(mend.expected, "parcel")
        durable.make_folder(base.parent)
        aside = _free_name(base, f"{workshop.clock.now():%Y%m%d%H%M%S}")
        durable.publish(target, aside)
        set_aside = aside.relative_to(workshop.folders.root).as_posix()
    copy.chmod(0o444 if in_archive else 0o644)
    durable.publish(copy, target)
    return set_aside


def _free_name(base: Path, when: str) -> Path:
    for number in range(1, 1000):
        again = "" if number == 1 else f"-{number}"
        path = base.with_name(f"{base.name}.damaged-{when}{again}")
        if not os.path.lexists(path):
            return path
    raise FileExistsError(str(base))


def _ask_anew(workshop: Workshop, jobs: Iterable[int]) -> None:
    """Take up jobs that were held because their original was damaged."""
    for job in jobs:
        row = workshop.ledger.read.job(job)
        if row is None or row.state != "held":
            continue
        stops = workshop.ledger.read.body(row.held_seq).get("findings", [])
        if any(each["code"] == _UNUSABLE for each in stops):
            with workshop.ledger.transaction() as transaction:
                body = {"why": "its original in the archive is whole again"}
                move(transaction, row, "looked-again", "claimed", body)


def _good_copy(
    reader: Reader, folders: Folders, fault: Fault, ending: Callable[[], bool]
) -> tuple[Path, str] | None:
    """A proved copy of a damaged file among our unfinished things, and where it was found."""
    spool = folders.scratch("spool") / f"mend-{secrets.token_hex(8)}"
    lengths = Keeping(reader).lengths_of(fault.expected)
    for path in _candidates(reader, folders, fault):
        try:
            if path == folders.root / fault.path:
                continue
            # What lies where others write may have no end.
            if lengths and path.lstat().st_size not in lengths:
                continue
            if hash_from_disk(path, ending)[0] != fault.expected:
                continue
            descriptor = os.open(path, os.O_RDONLY | os.O_NOFOLLOW | os.O_NONBLOCK)
            try:
                copied = durable.copy_checked(descriptor, spool)
            finally:
                os.close(descriptor)
        except (OSError, durable.Changed, PlatemarkError):
            continue
        if copied.sha256 == fault.expected:
            return spool, _from(folders, path)
        durable.remove_file(spool)
    own = _own_profiles().get(fault.expected)
    if own is not None:
        durable.write_new(spool, own)
        return spool, OUR_OWN
    return None


def _from(folders: Folders, path: Path) -> str:
    for base in (folders.root, folders.hot):
        if path.is_relative_to(base):
            return os.fsencode(path.relative_to(base)).decode("utf-8", "replace")
    return path.name


def _own_profiles() -> dict[str, bytes]:
    return {sha256: build_matrix_profile(space) for space, sha256 in space_hashes().items()}


def _candidates(reader: Reader, folders: Folders, fault: Fault) -> Iterator[Path]:
    """Where content of that hash may lie, plain files only."""
    for row in Keeping(reader).rows_of(fault.expected):
        in_archive = folders.archived(row.sha256, row.extension)
        if fault.kind == "parcel":
            yield in_archive
        yield from filter(_is_plain, _copies(reader, folders, row))


def _copies(reader: Reader, folders: Folders, row: KeptRow) -> Iterator[Path]:
    if row.kind == "original":
        yield from _dropped(reader, folders, row.job)
    if row.kind in ("original", "proof"):
        yield from _inside(folders.held, f"*--{job_number(row.job)}")
    if row.kind in ("print", "proof"):
        job = reader.job(row.job)
        if job is not None and job.parcel and job.lab:
            yield from _in_parcel(folders.outgoing / job.lab / job.parcel, row.sha256)
    if row.kind == "profile":
        yield from sorted(folders.profiles.glob("*"))
    if row.kind == "sheet":
        for pattern in (f"{TAKEN}/sheet-*", f"*/{TAKEN}/sheet-*", "*.csv", "*/*.csv"):
            yield from sorted(folders.hot.glob(pattern))


def _dropped(reader: Reader, folders: Folders, job: int) -> Iterator[Path]:
    """The drop that a job was made of, in `taken/` or where it was dropped."""
    row = reader.job(job)
    if row is None:
        return
    claimed = reader.body(row.claimed_seq)
    holder, drop = int(claimed.get("drop_of", job)), claimed["drop"]
    for entry in reader.entries(job=holder, kind="let-go"):
        if name := bytes.fromhex(entry.body["taken"]):
            yield folders.hot / drop["surface_folder"] / TAKEN / os.fsdecode(name)
    yield folders.hot / os.fsdecode(bytes.fromhex(drop["path_hex"]))


def _inside(held: Path, folder: str) -> Iterator[Path]:
    for found in sorted(held.glob(f"*/{folder}")):
        if found.is_dir() and not found.is_symlink():
            yield from sorted(found.iterdir())


def _in_parcel(folder: Path, sha256: str) -> Iterator[Path]:
    for manifest in (PAYLOAD_MANIFEST, TAG_MANIFEST):
        if _is_plain(folder / manifest):
            for name, listed in listed_in(folder / manifest).items():
                if listed == sha256:
                    yield folder / name


def _is_plain(path: Path) -> bool:
    try:
        return stat.S_ISREG(path.lstat().st_mode)
    except OSError:
        return False
