"""Holds what lies on disks against the record: a ticket, the archive, the closed parcels."""

from __future__ import annotations

import hashlib
import json
import re
import stat
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from platemark import durable
from platemark.engine.examine import PROOF
from platemark.ledger.chain import Fault
from platemark.ledger.keeping import Keeping
from platemark.ledger.read import JobRow, ParcelRow, Reader
from platemark.model.errors import PlatemarkError, UsageError
from platemark.model.job import job_number
from platemark.model.progress import Watch, unwatched
from platemark.model.ticket import Witness
from platemark.parcel.bag import TAG_MANIFEST, verify_parcel

_ARCHIVED = re.compile(r"([0-9a-f]{64})\.[a-z0-9]+")
_CLOSED = ("closed", "verified", "delivered", "doubtful")
_PRINTED = ("rendered", "parcelled", "delivered")
_TICKET, _RECALL = "ticket.json", "recall.json"


@dataclass(frozen=True, slots=True)
class Compared:
    """What came of holding something against the record."""

    faults: tuple[Fault, ...]
    said: str
    """What was compared and what was not, for a person."""


def prove_ticket(reader: Reader, root: Path, path: Path) -> Compared:
    """Hold a ticket's witness and its every byte against the record.

    The record has the hash of a parcel's list of tags, and that list has the ticket's. The list is
    taken from beside the ticket, else from the parcel in `outgoing/`.

    Raises:
        UsageError: the file is no ticket.
    """
    data = path.read_bytes()
    name, witness = _name_and_witness(path, data)
    fault = reader.find_witness_fault(witness)
    parcel = reader.parcel(name)
    lost = ""
    if fault is not None:
        lost = _of_lost_record(reader, name, witness)
        if not lost:
            return Compared((fault,), "")
    if parcel is None:
        sentence = f"The ticket is that of parcel {name}, but the record has no such parcel."
        return Compared((Fault(0, sentence),), "")
    places = (path.parent, root / "outgoing" / parcel.lab / parcel.name)
    lists = [folder / TAG_MANIFEST for folder in places if (folder / TAG_MANIFEST).is_file()]
    if not lists:
        # A parcel that left outgoing/ by rule left its lists in the archive.
        lists = [
            root / "archive" / paper.sha256[:2] / f"{paper.sha256}.{paper.extension}"
            for paper in Keeping(reader).papers(parcel.name)
            if paper.name == TAG_MANIFEST
        ]
    if not lists:
        return Compared(
            (),
            f"{lost}Only the ticket's witness was compared, not what it asks for: its parcel's "
            f"list {TAG_MANIFEST} is not beside it. Name the ticket inside its parcel.",
        )
    wrong = _ticket_fault(parcel, lists[0], hashlib.sha256(data).hexdigest())
    return Compared(
        () if wrong is None else (wrong,),
        lost or f"The whole ticket of {name} is as it was sent.",
    )


def _of_lost_record(reader: Reader, name: str, witness: Witness) -> str:
    """Say that a ticket names an entry of a record that was lost; empty where it does not.

    Of such a ticket only that can be proved which was read back from it.
    """
    for entry in reader.entries(kind="parcel-read-back"):
        told = entry.body["witness"]
        if entry.body["parcel"] == name and told == {"seq": witness.seq, "hash": witness.hash}:
            return (
                f"Entry {witness.seq}, which the ticket of {name} names, is of the record that was "
                f"lost. The ticket is the one that was read back on {entry.at[:10]}. "
            )
    return ""


def prove_files(reader: Reader, root: Path, watch: Watch = unwatched) -> Compared:
    """Read every file of the archive and every closed parcel, and hold them against the record."""
    faults: list[Fault] = []
    archived = _archive(root / "archive", faults, watch)
    keeping = Keeping(reader)
    gone_by_rule = _Gone(keeping)
    for row in reader.jobs():
        job = f"job {job_number(row.job)} ({row.original_name})"
        if row.original_sha256 not in archived and row.original_sha256 not in gone_by_rule:
            faults.append(Fault(row.claimed_seq, f"The original of {job} is not in the archive."))
        made = row.print_sha256 if row.state in _PRINTED else None
        if made and made not in archived and made not in gone_by_rule:
            faults.append(Fault(row.seq, f"The print file of {job} is not in the archive."))
        seq, proof = _newest_proof(reader, row)
        if proof and proof not in archived and proof not in gone_by_rule:
            faults.append(Fault(seq, f"The preview of {job} is not in the archive."))
    whole, fetched, cleared = 0, 0, keeping.cleared_parcels()
    for parcel in (row for state in _CLOSED for row in reader.parcels(state=state)):
        folder = root / "outgoing" / parcel.lab / parcel.name
        if parcel.name in cleared:
            faults += _paper_faults(keeping, parcel, archived)
            continue
        if not folder.exists():
            fetched += 1
            continue
        wrong = _parcel_faults(folder, parcel)
        whole += not wrong
        faults += wrong
    gone = f"; {fetched} no longer there were not compared" if fetched else ""
    gone += f"; {len(cleared)} left by rule, and what stays of them is archived" if cleared else ""
    gone += f"; {gone_by_rule.met} files left the archive by rule" if gone_by_rule.met else ""
    return Compared(
        tuple(faults),
        f"{len(archived)} archived files and {whole} parcels in outgoing/ are what the record "
        f"says{gone}.",
    )


class _Gone:
    """Hashes of content that left the archive by rule; counts those that were asked for."""

    def __init__(self, keeping: Keeping) -> None:
        self._keeping = keeping
        self._met: set[str] = set()

    @property
    def met(self) -> int:
        return len(self._met)

    def __contains__(self, sha256: str) -> bool:
        if self._keeping.removed_by(sha256) is None:
            return False
        self._met.add(sha256)
        return True


def _paper_faults(keeping: Keeping, parcel: ParcelRow, archived: set[str]) -> list[Fault]:
    return [
        Fault(
            parcel.seq,
            f"{paper.name} of parcel {parcel.name}, which left outgoing/ by rule, is not in the "
            "archive.",
        )
        for paper in keeping.papers(parcel.name)
        if paper.sha256 not in archived and keeping.removed_by(paper.sha256) is None
    ]


def _newest_proof(reader: Reader, row: JobRow) -> tuple[int, str]:
    """The entry that names a job's newest proof sheet, and its hash; 0 and empty for none."""
    seq = max(row.examined_seq or 0, row.held_seq or 0)
    entry = reader.entry(seq) if seq else None
    return seq, str(entry.body.get(PROOF, "")) if entry is not None else ""


def _name_and_witness(path: Path, data: bytes) -> tuple[str, Witness]:
    try:
        ticket: Any = json.loads(data)
        witness = ticket["witness"]
        return str(ticket["parcel"]), Witness(int(witness["seq"]), str(witness["hash"]))
    except (ValueError, KeyError, TypeError) as error:
        raise UsageError(f"{path} is not a ticket: it has no witness.") from error


def witness_of(path: Path) -> Witness:
    """The witness that a ticket names.

    Raises:
        UsageError: the file is no ticket.
    """
    return _name_and_witness(path, path.read_bytes())[1]


def _ticket_fault(parcel: ParcelRow, tag_list: Path, ticket_sha256: str) -> Fault | None:
    lines = tag_list.read_bytes()
    if hashlib.sha256(lines).hexdigest() != parcel.tagmanifest:
        return Fault(
            parcel.seq,
            f"{tag_list} is not the list that parcel {parcel.name} was closed with: it was changed "
            "afterwards, or is another parcel's.",
        )
    listed = lines.split(b"\n")
    if not any(f"{ticket_sha256}  {name}".encode() in listed for name in (_TICKET, _RECALL)):
        return Fault(
            parcel.seq,
            f"The ticket of parcel {parcel.name} was changed after it was written: it is not the "
            "one that the record and the parcel's list speak of.",
        )
    return None


def _archive(archive: Path, faults: list[Fault], watch: Watch) -> set[str]:
    """Hash every archived file; gives the hashes of those that are whole."""
    found: set[str] = set()
    paths = sorted(archive.glob("??/*"))
    for number, path in enumerate(paths):
        watch("Reading archived files", number, len(paths))
        match = _ARCHIVED.fullmatch(path.name)
        if match is None:
            continue
        try:
            is_file = stat.S_ISREG(path.lstat().st_mode)
            if is_file and durable.hash_file(path) == match[1]:
                found.add(match[1])
                continue
        except OSError as error:
            faults.append(Fault(0, f"{path} cannot be read: {error.strerror}."))
            continue
        faults.append(Fault(0, f"{path} is no longer the file that was archived under that name."))
    return found


def _parcel_faults(folder: Path, parcel: ParcelRow) -> list[Fault]:
    try:
        wrong = verify_parcel(folder, parcel.tagmanifest)
    except PlatemarkError as error:
        wrong = (error.sentence,)
    return [Fault(parcel.seq, f"Parcel {parcel.name} in outgoing/: {each}") for each in wrong]
