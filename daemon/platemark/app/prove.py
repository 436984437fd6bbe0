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
from platemark.ledger.read import JobRow, ParcelRow, Reader
from platemark.model.errors import PlatemarkError, UsageError
from platemark.model.job import job_number
from platemark.model.ticket import Witness
from platemark.parcel.bag import TAG_MANIFEST, verify_parcel

_ARCHIVED = re.compile(r"([0-9a-f]{64})\.[a-z0-9]+")
_CLOSED = ("closed", "verified", "delivered")
_PRINTED = ("rendered", "parcelled", "delivered")
_TICKET = "ticket.json"


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
    if fault is not None:
        return Compared((fault,), "")
    if parcel is None:
        sentence = f"The ticket is that of parcel {name}, but the record has no such parcel."
        return Compared((Fault(0, sentence),), "")
    places = (path.parent, root / "outgoing" / parcel.lab / parcel.name)
    lists = [folder / TAG_MANIFEST for folder in places if (folder / TAG_MANIFEST).is_file()]
    if not lists:
        return Compared(
            (),
            f"Only the ticket's witness was compared, not what it asks for: its parcel's list "
            f"{TAG_MANIFEST} is not beside it. Name the ticket inside its parcel.",
        )
    wrong = _ticket_fault(parcel, lists[0], hashlib.sha256(data).hexdigest())
    return Compared(
        () if wrong is None else (wrong,), f"The whole ticket of {name} is as it was sent."
    )


def prove_files(reader: Reader, root: Path) -> Compared:
    """Read every file of the archive and every closed parcel, and hold them against the record."""
    faults: list[Fault] = []
    archived = _archive(root / "archive", faults)
    for row in reader.jobs():
        job = f"job {job_number(row.job)} ({row.original_name})"
        if row.original_sha256 not in archived:
            faults.append(Fault(row.claimed_seq, f"The original of {job} is not in the archive."))
        if row.state in _PRINTED and row.print_sha256 and row.print_sha256 not in archived:
            faults.append(Fault(row.seq, f"The print file of {job} is not in the archive."))
        seq, proof = _newest_proof(reader, row)
        if proof and proof not in archived:
            faults.append(Fault(seq, f"The preview of {job} is not in the archive."))
    whole, fetched = 0, 0
    for parcel in (row for state in _CLOSED for row in reader.parcels(state=state)):
        folder = root / "outgoing" / parcel.lab / parcel.name
        if not folder.exists():
            fetched += 1
            continue
        wrong = _parcel_faults(folder, parcel)
        whole += not wrong
        faults += wrong
    gone = f"; {fetched} no longer there were not compared" if fetched else ""
    return Compared(
        tuple(faults),
        f"{len(archived)} archived files and {whole} parcels in outgoing/ are what the record "
        f"says{gone}.",
    )


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


def _ticket_fault(parcel: ParcelRow, tag_list: Path, ticket_sha256: str) -> Fault | None:
    lines = tag_list.read_bytes()
    if hashlib.sha256(lines).hexdigest() != parcel.tagmanifest:
        return Fault(
            parcel.seq,
            f"{tag_list} is not the list that parcel {parcel.name} was closed with: it was changed "
            "afterwards, or is another parcel's.",
        )
    if f"{ticket_sha256}  {_TICKET}".encode() not in lines.split(b"\n"):
        return Fault(
            parcel.seq,
            f"The ticket of parcel {parcel.name} was changed after it was written: it is not the "
            "one that the record and the parcel's list speak of.",
        )
    return None


def _archive(archive: Path, faults: list[Fault]) -> set[str]:
    """Hash every archived file; gives the hashes of those that are whole."""
    found: set[str] = set()
    for path in sorted(archive.glob("??/*")):
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
