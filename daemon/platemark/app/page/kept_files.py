"""The files that the page shows: pictures that workers made, and the papers of closed parcels.

Nothing is served by a path that a browser names. A picture's hash must stand in the record as a
proof, a paper must be listed in a parcel whose list the record has the hash of; and what is read
must still have its hash.
"""

from __future__ import annotations

import hashlib
import os
import re
import stat
from dataclasses import dataclass
from pathlib import Path

from platemark.app.page.studio_seen import StudioSeen
from platemark.engine.hold import drawing_shown
from platemark.ledger.keeping import Keeping
from platemark.ledger.read import ParcelRow, Reader

LARGEST_PICTURE = 16 << 20
LARGEST_PAPER = 64 << 20
_SHA256 = re.compile(r"[0-9a-f]{64}")
_LINE = re.compile(r"([0-9a-f]{64}) [ *](.+)")
_JPEG = b"\xff\xd8\xff"
_JPEG_END = b"\xff\xd9"
TAG_MANIFEST = "tagmanifest-sha256.txt"
FORMS = {
    "NO-PAPERS.txt": ("text/plain; charset=utf-8", "What is missing here, and what says the same"),
    "ticket.html": ("text/html; charset=utf-8", "The ticket, as the lab's people read it"),
    "ticket.pdf": ("application/pdf", "The ticket, to be printed"),
    "cover.pdf": ("application/pdf", "The cover sheet"),
    "ticket.json": ("application/json", "The ticket, for programs"),
    "recall.html": ("text/html; charset=utf-8", "The notice that calls prints back"),
    "recall.json": ("application/json", "The notice, for programs"),
    "changes.txt": ("text/plain; charset=utf-8", "Every change that was made"),
}
"""Papers that are shown: their kind, and what they are."""


@dataclass(frozen=True, slots=True)
class Paper:
    """One paper of a parcel."""

    name: str
    sha256: str
    kind: str
    words: str


def proof_bytes(seen: StudioSeen, reader: Reader, sha256: str) -> bytes | None:
    """A proof of the archive, whole and unchanged; None where there is none of that hash."""
    if not _SHA256.fullmatch(sha256):
        return None
    if not any(row.kind == "proof" for row in Keeping(reader).rows_of(sha256)):
        return None
    data = _read(seen.folders.archived(sha256, "jpg"), LARGEST_PICTURE)
    return data if data is not None and hashlib.sha256(data).hexdigest() == sha256 else None


def chart_bytes(seen: StudioSeen, reader: Reader, sha256: str) -> bytes | None:
    """A drawing of strips, whole and unchanged; None where there is none of that hash."""
    if not _SHA256.fullmatch(sha256):
        return None
    if not any(row.kind == "chart" for row in Keeping(reader).rows_of(sha256)):
        return None
    data = _read(seen.folders.archived(sha256, "png"), LARGEST_PICTURE)
    return data if data is not None and hashlib.sha256(data).hexdigest() == sha256 else None


def drawing_bytes(seen: StudioSeen, reader: Reader, job: int) -> bytes | None:
    """The drawing of a held job with its choices, as the worker made it; None where it is lost."""
    row = reader.job(job)
    if row is None or row.state != "held":
        return None
    data = _read(drawing_shown(seen.folders, row), LARGEST_PICTURE)
    is_whole = data is not None and data.startswith(_JPEG) and data.endswith(_JPEG_END)
    return data if is_whole else None


def has_drawing(seen: StudioSeen, reader: Reader, job: int) -> bool:
    """Whether there is a drawing of a held job."""
    row = reader.job(job)
    return row is not None and row.state == "held" and drawing_shown(seen.folders, row).is_file()


def papers_of(seen: StudioSeen, reader: Reader, parcel: ParcelRow) -> dict[str, Paper]:
    """The papers of a parcel that can be shown, by name; none where its list was changed."""
    archived = {paper.name: paper.sha256 for paper in Keeping(reader).papers(parcel.name)}
    listed = archived or _listed(seen.root / "outgoing" / parcel.lab / parcel.name, parcel)
    return {
        name: Paper(name, listed[name], kind, words)
        for name, (kind, words) in FORMS.items()
        if name in listed
    }


def paper_bytes(seen: StudioSeen, parcel: ParcelRow, paper: Paper) -> bytes | None:
    """A paper as it was when its parcel was closed; None where it is gone or was changed."""
    extension = paper.name.rpartition(".")[2]
    places = (
        seen.folders.archived(paper.sha256, extension),
        seen.root / "outgoing" / parcel.lab / parcel.name / paper.name,
    )
    for place in places:
        data = _read(place, LARGEST_PAPER)
        if data is not None and hashlib.sha256(data).hexdigest() == paper.sha256:
            return data
    return None


def _listed(folder: Path, parcel: ParcelRow) -> dict[str, str]:
    data = _read(folder / TAG_MANIFEST, LARGEST_PAPER)
    if data is None or hashlib.sha256(data).hexdigest() != parcel.tagmanifest:
        return {}
    matches = (_LINE.fullmatch(line) for line in data.decode("utf-8", "replace").splitlines())
    return {match[2].strip(): match[1] for match in matches if match is not None}


def _read(path: Path, most: int) -> bytes | None:
    """A plain file of bounded size; no link is followed and nothing is waited for."""
    try:
        descriptor = os.open(path, os.O_RDONLY | os.O_NOFOLLOW | os.O_NONBLOCK)
    except OSError:
        return None
    with os.fdopen(descriptor, "rb") as file:
        status = os.fstat(descriptor)
        if not stat.S_ISREG(status.st_mode) or status.st_size > most:
            return None
        return file.read(most)
