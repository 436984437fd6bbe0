"""What an auditor is shown of a parcel or of a month, with the proof, and what was not proved.

Everything is read again for it: the whole record from its first entry, the parcels and tickets that
are still here, the originals and print files in the archive. What could not be compared is named,
so that nobody takes silence for a proof.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import Any

from platemark import durable
from platemark.engine.month import CLOSING, Month, begun_month, closings
from platemark.engine.prove import Compared, prove_ticket, witness_of
from platemark.ledger.chain import Entry, Fault
from platemark.ledger.erasing import erased_by_entries
from platemark.ledger.keeping import Keeping
from platemark.ledger.proof import find_faults
from platemark.ledger.read import JobRow, ParcelRow, Reader
from platemark.model.errors import PlatemarkError, UsageError
from platemark.model.progress import Watch, unwatched
from platemark.model.studio import Settings
from platemark.model.ticket import Witness
from platemark.parcel.bag import verify_parcel

_PARCEL_KINDS = (
    "parcel-sealed", "parcel-closed", "parcel-verified-at-lab", "parcel-delivered",
    "parcel-taken-back", "parcel-given-up", "parcel-cleared", "parcel-let-out",
    "parcel-read-back",
)  # fmt: skip
_TICKETS = ("ticket.json", "recall.json")
_NO_TIME = "Times are those of the studio's own computer; nobody else vouches for them."
NEVER_PROVED = (
    _NO_TIME,
    "Names of people are those that were typed; nobody had to prove who they are.",
    "That a print was made, and how it looks, is known to the lab alone.",
    "A studio that rewrote its whole record could be found out only by a ticket that lies "
    "elsewhere: compare the lab's own copies (platemark ledger verify --against).",
)


@dataclass(frozen=True, slots=True)
class FileSeen:
    """One archived file, read again."""

    what: str
    """`original` or `print file`."""
    sha256: str
    state: str
    """`as recorded`, `changed`, `missing`, `left by rule`, or `none recorded`."""

    @property
    def is_wrong(self) -> bool:
        """Whether it should be there, whole, and is not."""
        return self.state in ("changed", "missing")


@dataclass(frozen=True, slots=True)
class JobSeen:
    """One job of a parcel."""

    row: JobRow
    files: tuple[FileSeen, ...]
    history: tuple[Entry, ...]


@dataclass(frozen=True, slots=True)
class ParcelSeen:
    """One parcel."""

    row: ParcelRow
    history: tuple[Entry, ...]
    ticket: str
    """How its ticket compares with the record."""
    witness: Witness | None
    """That the ticket names; None where no ticket could be read."""
    bag: str
    """How its files compare."""
    bag_holds: bool
    """Whether they are here, and are what was sealed."""
    faults: tuple[str, ...]
    jobs: tuple[JobSeen, ...]


@dataclass(frozen=True, slots=True)
class Audit:
    """All of it."""

    about: str
    """`parcel brindlewick-000017` or `March 2026`."""
    studio: str
    made: datetime
    head: Witness
    record_faults: tuple[Fault, ...]
    parcels: tuple[ParcelSeen, ...]
    proved: tuple[str, ...]
    not_proved: tuple[str, ...]

    @property
    def holds(self) -> bool:
        """Whether nothing that was compared was found to be other than recorded."""
        return not self.record_faults and not any(parcel.faults for parcel in self.parcels)


def audit(
    reader: Reader, settings: Settings, root: Path, name: str, now: datetime,
    watch: Watch = unwatched,
) -> Audit:  # fmt: skip
    """Look at a parcel, or at all parcels that were closed in a month.

    Args:
        reader: The record.
        settings: The studio's.
        root: The studio's folder.
        name: A parcel, or a month such as `2026-03`.
        now: When it is done.
        watch: Told how far it is.

    Raises:
        UsageError: there is no such parcel or month.
    """
    head = reader.head()
    faults = tuple(find_faults(reader, watch))
    about, rows = _scope(reader, settings, name, now)
    # A record that is broken proves nothing of anything else.
    parcels = () if faults else tuple(_each(reader, root, rows, watch))
    return Audit(
        about,
        settings.studio.name,
        now,
        head,
        faults,
        parcels,
        tuple(_proved(head, parcels)) if not faults else (),
        (*_not_compared(parcels), *_erased(reader), *_lost(reader), *NEVER_PROVED),
    )


def _each(
    reader: Reader, root: Path, rows: Sequence[ParcelRow], watch: Watch
) -> Iterator[ParcelSeen]:
    for number, row in enumerate(rows):
        watch("Reading parcels", number, len(rows))
        yield _parcel(reader, root, row)


def _scope(
    reader: Reader, settings: Settings, name: str, now: datetime
) -> tuple[str, list[ParcelRow]]:
    row = reader.parcel(name)
    if row is not None:
        return f"parcel {name}", [row]
    try:
        month: Month = begun_month(name, settings, now)
    except UsageError as error:
        if name[:4].isdecimal():
            raise
        raise UsageError(
            f"There is no parcel “{name}”.", "Name one as in outgoing/, or a month like 2026-03."
        ) from error
    names = dict.fromkeys(entry.body["parcel"] for entry in closings(reader, month))
    found = [parcel for name in names if (parcel := reader.parcel(name)) is not None]
    return month.words, found


def _parcel(reader: Reader, root: Path, row: ParcelRow) -> ParcelSeen:
    history = tuple(
        sorted(
            (
                entry
                for kind in _PARCEL_KINDS
                for entry in reader.entries(kind=kind)
                if entry.body.get("parcel") == row.name
            ),
            key=lambda entry: entry.seq,
        )
    )
    compared, witness = _ticket(reader, root, row)
    folder = root / "outgoing" / row.lab / row.name
    wrong = _bag_faults(folder, row)
    numbers = {
        job for entry in history if entry.kind in CLOSING for job in entry.body.get("jobs", ())
    }
    jobs = tuple(_job(reader, root, each) for each in reader.jobs_numbered(numbers))
    faults = [
        *(fault.sentence for fault in compared.faults),
        *wrong,
        *(_file_fault(job, file) for job in jobs for file in job.files if file.is_wrong),
    ]
    return ParcelSeen(
        row,
        history,
        "Its ticket is not what the record says." if compared.faults else compared.said,
        witness,
        _bag_words(folder, wrong, _cleared_words(reader, row)),
        folder.exists() and not wrong,
        tuple(faults),
        jobs,
    )


def _ticket(reader: Reader, root: Path, row: ParcelRow) -> tuple[Compared, Witness | None]:
    """Hold a parcel's ticket against the record, from outgoing/ or from the archive."""
    folder = root / "outgoing" / row.lab / row.name
    places = [folder / name for name in _TICKETS]
    places += [
        root / "archive" / paper.sha256[:2] / f"{paper.sha256}.{paper.extension}"
        for paper in Keeping(reader).papers(row.name)
        if paper.name in _TICKETS
    ]
    there = next((path for path in places if path.is_file()), None)
    if there is None:
        return Compared((), "No ticket of it is here any more."), None
    try:
        return prove_ticket(reader, root, there), witness_of(there)
    except (UsageError, OSError) as error:
        fault = Fault(row.seq, f"The ticket of {row.name} cannot be read: {error}")
        return Compared((fault,), ""), None


def _bag_faults(folder: Path, row: ParcelRow) -> list[str]:
    if not folder.exists():
        return []
    try:
        return [f"{row.name}: {wrong}" for wrong in verify_parcel(folder, row.tagmanifest)]
    except PlatemarkError as error:
        return [f"{row.name}: {error.sentence}"]


def _cleared_words(reader: Reader, row: ParcelRow) -> str:
    """What stays of a parcel that left `outgoing/`; empty where it did not."""
    keeping = Keeping(reader)
    kept = keeping.papers(row.name)
    if not kept:
        return ""
    names = [paper.name for paper in kept if keeping.removed_by(paper.sha256) is None]
    if any(name in names for name in _TICKETS):
        return "It left outgoing/ by rule; its ticket and lists are in the archive."
    return (
        "It left outgoing/, and its tickets the archive, when a client's words were erased; its "
        "list of tags stays, so that the lab's copy of them can be compared."
    )


def _bag_words(folder: Path, wrong: Sequence[str], cleared: str) -> str:
    if cleared:
        return cleared
    if not folder.exists():
        return "It is not in outgoing/ any more, so its files were not compared."
    if wrong:
        return "Its files are not what was sealed."
    return "Every file in it is as it was sealed."


def _job(reader: Reader, root: Path, row: JobRow) -> JobSeen:
    claimed = reader.body(row.claimed_seq).get("original", {})
    printed = reader.body(row.rendered_seq).get("print_file", {}) if row.rendered_seq else {}
    files = (
        _file(reader, root, "original", row.original_sha256, claimed.get("extension", "")),
        _file(reader, root, "print file", row.print_sha256 or "", printed.get("extension", "")),
    )
    return JobSeen(row, files, tuple(reader.entries(job=row.job)))


def _file(reader: Reader, root: Path, what: str, sha256: str, extension: str) -> FileSeen:
    if not sha256 or not extension:
        return FileSeen(what, sha256, "none recorded")
    path = root / "archive" / sha256[:2] / f"{sha256}.{extension}"
    try:
        state = "as recorded" if durable.hash_file(path) == sha256 else "changed"
    except FileNotFoundError:
        gone = Keeping(reader).removed_by(sha256) is not None
        state = "left by rule" if gone else "missing"
    except OSError:
        state = "changed"
    return FileSeen(what, sha256, state)


def _file_fault(job: JobSeen, file: FileSeen) -> str:
    how = "is not in the archive" if file.state == "missing" else "is not what it was"
    return f"The {file.what} of job {job.row.job:06d} {how}."


def _proved(head: Witness, parcels: Sequence[ParcelSeen]) -> Iterator[str]:
    yield (
        f"The record's file, all {head.seq} entries from the first to the newest, the words beside "
        "them and the tables made from them agree: each entry's hash covers the one before it."
    )
    tickets = [parcel for parcel in parcels if parcel.witness is not None and not parcel.faults]
    for parcel in tickets:
        seq = parcel.witness.seq if parcel.witness is not None else 0
        yield (
            f"The ticket of {parcel.row.name} names entry {seq}, and the record has that very "
            "entry with that very hash."
        )
    files = [file for parcel in parcels for job in parcel.jobs for file in job.files]
    whole = sum(file.state == "as recorded" for file in files)
    if whole:
        yield f"{whole} archived files were read again and have the hashes that were recorded."
    for parcel in parcels:
        if parcel.bag_holds:
            yield f"{parcel.row.name} in outgoing/ holds what was sealed, and nothing else."


def _not_compared(parcels: Sequence[ParcelSeen]) -> Iterator[str]:
    for parcel in parcels:
        if parcel.witness is None:
            yield f"{parcel.row.name}: {parcel.ticket}"
        if not parcel.bag_holds and not parcel.faults:
            yield f"{parcel.row.name}: {parcel.bag}"
        gone = [
            f"{file.what} of job {job.row.job:06d}"
            for job in parcel.jobs
            for file in job.files
            if file.state in ("left by rule", "none recorded")
        ]
        if gone:
            yield f"{parcel.row.name}: not there to be read again: {', '.join(gone)}."


def _erased(reader: Reader) -> Iterator[str]:
    if erased := len(erased_by_entries(reader)):
        yield (
            f"{erased} personal texts were erased on request; their hashes are in the chain, what "
            "they said can be proved by nobody."
        )


def _lost(reader: Reader) -> Iterator[str]:
    for entry in reader.entries(kind="record-restored"):
        if entry.body.get("how") == "lost":
            yield (
                f"The record was lost once: of what was before entry {entry.seq} "
                f"({entry.at[:10]}) it knows what files told."
            )


def plain_audit(seen: Audit) -> dict[str, Any]:
    """The same for a program."""
    return {
        "about": seen.about,
        "made": seen.made.isoformat(timespec="seconds"),
        "holds": seen.holds,
        "record": {
            "entries": seen.head.seq,
            "witness": {"seq": seen.head.seq, "hash": seen.head.hash},
            "faults": [fault.sentence for fault in seen.record_faults],
        },
        "parcels": [_plain_parcel(parcel) for parcel in seen.parcels],
        "proved": list(seen.proved),
        "not_proved": list(seen.not_proved),
    }


def _plain_parcel(parcel: ParcelSeen) -> dict[str, Any]:
    witness = parcel.witness
    return {
        "parcel": parcel.row.name,
        "lab": parcel.row.lab,
        "state": parcel.row.state,
        "tagmanifest_sha256": parcel.row.tagmanifest,
        "witness": {"seq": witness.seq, "hash": witness.hash} if witness is not None else None,
        "ticket": parcel.ticket,
        "bag": parcel.bag,
        "faults": list(parcel.faults),
        "history": [_plain_entry(entry) for entry in parcel.history],
        "jobs": [
            {
                "job": job.row.job,
                "state": job.row.state,
                "original_name": job.row.original_name,
                "files": [
                    {"what": file.what, "sha256": file.sha256, "state": file.state}
                    for file in job.files
                ],
                "history": [_plain_entry(entry) for entry in job.history],
            }
            for job in parcel.jobs
        ],
    }


def _plain_entry(entry: Entry) -> dict[str, Any]:
    return {
        "seq": entry.seq,
        "at": entry.at,
        "kind": entry.kind,
        "actor": entry.actor,
        "hash": entry.hash.hex(),
    }
