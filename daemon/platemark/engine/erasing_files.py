"""Files that hold a client's words: tickets of their parcels, and requests and sheets kept aside.

They go the way of all removals (`removing`): said in the record, done, and said to be done. Of a
parcel its list of tags stays, which has the ticket's hash: a copy that the lab kept can be held
against the record as before. Print files and originals are in the archive and stay.
"""

from __future__ import annotations

import codecs
import os
import re
from collections.abc import Iterator, Sequence
from pathlib import Path

from platemark.engine import removing
from platemark.engine.retention import ERASED_RULE, Item
from platemark.engine.workshop import Folders, Workshop
from platemark.ledger.keeping import HELD_PARCELS, Keeping
from platemark.ledger.read import JobRow, ParcelRow, Reader
from platemark.model.job import job_number

_LARGEST_SHEET = 4 << 20


def files_with_words(workshop: Workshop, rows: Sequence[JobRow]) -> tuple[list[Item], list[str]]:
    """Find what holds the words of some jobs, but the record.

    Args:
        workshop: The open studio.
        rows: The jobs; nothing is made for them any more.

    Returns:
        What may be removed, and the parcels that have to stay because the archive lacks a file.
    """
    read, folders = workshop.ledger.read, workshop.folders
    items = [*_requests(read, folders, rows), *_sheets(read, folders, rows)]
    stay = []
    for name in sorted({row.parcel for row in rows if row.parcel is not None}):
        parcel = read.parcel(name)
        if parcel is None:
            continue
        items += _papers(read, folders, name)
        folder = folders.outgoing / parcel.lab / name
        if parcel.state not in HELD_PARCELS or not folder.is_dir() or folder.is_symlink():
            continue
        if _is_archived(read, folders, name):
            items.append(_whole(folders, parcel, folder))
        else:
            stay.append(name)
    return items, stay


def remove_files(workshop: Workshop, items: Sequence[Item]) -> int:
    """Remove files and say so in the record; gives how many are there still.

    A stop in between is finished by the next start.
    """
    prepared = removing.prepare(workshop, items)
    stayed = len(items) - len(prepared.items)
    for seq in removing.begin(workshop, prepared):
        removed = removing.carry_out(workshop.ledger.read, workshop.folders, seq)
        if removed is not None:
            removing.end(workshop, seq, removed)
            stayed += removed.stayed
    return stayed


def _whole(folders: Folders, parcel: ParcelRow, folder: Path) -> Item:
    size = sum(path.lstat().st_size for path in folder.rglob("*") if path.is_file())
    where = os.fsencode(folder.relative_to(folders.root))
    return Item(
        ERASED_RULE, "outgoing", where, parcel.tagmanifest, size, parcel=parcel.name, lab=parcel.lab
    )


def _is_archived(read: Reader, folders: Folders, parcel: str) -> bool:
    """Whether the archive has every print file of a parcel."""
    for row in read.jobs(parcel=parcel):
        printed = read.body(row.rendered_seq).get("print_file", {})
        path = folders.archived(row.print_sha256 or "-", printed.get("extension", "-"))
        gone = Keeping(read).removed_by(row.print_sha256 or "") is not None
        if row.print_sha256 and not gone and not path.is_file():
            return False
    return True


def _papers(read: Reader, folders: Folders, parcel: str) -> Iterator[Item]:
    """Tickets that are in the archive, of a parcel that left `outgoing/` before."""
    for paper in Keeping(read).papers(parcel):
        if paper.name not in removing.LISTS:
            yield from _archived(folders, paper.sha256, paper.extension)


def _requests(read: Reader, folders: Folders, rows: Sequence[JobRow]) -> Iterator[Item]:
    """Requests that left `taken/` for the archive."""
    starts = tuple(f"{job_number(row.job)}-".encode() for row in rows)
    for entry in read.entries(kind="removal-begun"):
        for request in entry.body.get("requests", ()):
            name = bytes.fromhex(request["path_hex"]).rpartition(b"/")[2]
            if name.startswith(starts):
                yield from _archived(folders, request["sha256"], request["extension"])


def _sheets(read: Reader, folders: Folders, rows: Sequence[JobRow]) -> Iterator[Item]:
    """Order sheets that were let go and ordered the jobs, or name their orders in a cell.

    Other orders' rows go with them.
    """
    numbers = {row.job for row in rows}
    names = "|".join(re.escape(row.order) for row in rows if row.order)
    cell = re.compile(
        rf"""(?:^|[,;\t"])\s*(?:{names})\s*(?:$|[,;\t"])""", re.IGNORECASE | re.MULTILINE
    )
    over = {e.body["sheet"]: set(e.body["jobs"]) for e in read.entries(kind="sheet-let-go")}
    for entry in read.entries(kind="sheet-read"):
        path = folders.archived(entry.body["sha256"], "csv")
        if entry.seq not in over or not path.is_file():
            continue
        ordered = over[entry.seq] & numbers
        if ordered or (names and cell.search(_text_of(path))):
            yield from _archived(folders, entry.body["sha256"], "csv")


def _text_of(path: Path) -> str:
    """What stands in a sheet, as far as one is read; sheets come in these codings."""
    with path.open("rb") as file:
        data = file.read(_LARGEST_SHEET)
    if data.startswith((codecs.BOM_UTF16_LE, codecs.BOM_UTF16_BE)):
        return data.decode("utf-16", "replace")
    try:
        return data.decode("utf-8-sig")
    except UnicodeDecodeError:
        return data.decode("cp1252", "replace")


def _archived(folders: Folders, sha256: str, extension: str) -> Iterator[Item]:
    path = folders.archived(sha256, extension)
    if path.is_file():
        where = os.fsencode(path.relative_to(folders.root))
        yield Item(ERASED_RULE, "archive", where, sha256, path.stat().st_size, extension)
