"""Looks through what a studio's files still tell of a record that is lost, whole or in part."""

from __future__ import annotations

import json
import os
import re
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import TypeVar

import msgspec

from platemark import durable
from platemark.engine.workshop import Workshop
from platemark.intake.drop_files import TAKEN
from platemark.intake.held import OURS
from platemark.model.errors import PlatemarkError
from platemark.model.job import job_number
from platemark.model.lab import Lab
from platemark.model.plain import from_plain
from platemark.model.recall import RecallNotice
from platemark.model.ticket import ParcelTicket
from platemark.parcel.bag import TAG_MANIFEST, verify_parcel

Told = TypeVar("Told", ParcelTicket, RecallNotice)

LARGEST_TICKET = 256 << 20
"""Bytes; a longer file is no ticket."""
_TICKET, _NOTICE = "ticket.json", "recall.json"
_PARCEL = re.compile(r"(.+)-([0-9]{6,12})")
_STAGED = re.compile(r"(.+-[0-9]{6,12})\.[0-9a-f]+")
_HELD = re.compile(r".+--([0-9]{6,12})", re.DOTALL)
_NUMBERED = re.compile(r"(?:held-)?([0-9]{1,12})[-.].*", re.DOTALL)
_TAKEN = re.compile(r"([0-9]{6,12})-(.+)", re.DOTALL)
_ARCHIVED = re.compile(r"([0-9a-f]{64})\.([a-z0-9]+)")


@dataclass(frozen=True, slots=True)
class FoundParcel:
    """A parcel in `outgoing/`, or in a lab's folder."""

    name: str
    lab: str
    number: int
    folder: Path
    tagmanifest: str
    """The hash of its list of tags; empty where it has none."""
    ticket: ParcelTicket | None
    """None where it cannot be read."""
    notice: RecallNotice | None
    """Where the parcel is no more than the word that prints are called back."""
    wrong: str
    """What is wrong with it first; empty where it is whole."""
    at_lab: bool
    """The lab's folder has the same parcel."""


@dataclass(frozen=True, slots=True)
class FoundHeld:
    """A folder in `held/` with a picture whose original is in the archive."""

    job: int
    surface: str
    name: str
    sha256: str


@dataclass(frozen=True, slots=True)
class FoundFile:
    """A file of the archive."""

    sha256: str
    extension: str
    bytes: int


@dataclass(slots=True)
class Found:
    """Everything that was found."""

    parcels: list[FoundParcel] = field(default_factory=list)
    held: list[FoundHeld] = field(default_factory=list)
    held_unknown: list[str] = field(default_factory=list)
    """Folders in `held/` without a picture that the archive has."""
    newest_job: int = 0
    newest_parcels: dict[str, int] = field(default_factory=dict)
    """The highest number that any name speaks of, by lab."""
    taken: dict[int, list[tuple[int, Path]]] = field(default_factory=dict)
    """Files in the hot folders' `taken/`, by size: job and path."""

    def seen_job(self, job: int) -> None:
        """Note that a number was given to a job."""
        self.newest_job = max(self.newest_job, job)

    def seen_parcel(self, lab: str, number: int) -> None:
        """Note that a number was given to a lab's parcel."""
        self.newest_parcels[lab] = max(self.newest_parcels.get(lab, 0), number)


def look_through(workshop: Workshop) -> Found:
    """Look at every place that tells of jobs and parcels; nothing is changed.

    Raises:
        DiskFault: the disk refuses.
    """
    found = Found()
    for folder, lab in parcel_folders(workshop.folders.outgoing):
        found.parcels.append(_parcel(workshop, folder, lab, found))
    known = {parcel.name for parcel in found.parcels}
    for each in workshop.settings.labs:
        for folder in _at(workshop, each):
            if folder.name not in known:
                found.parcels.append(_parcel(workshop, folder, each.id, found))
    _held(workshop, found)
    _taken(workshop, found)
    _work(workshop, found)
    return found


def archived_files(archive: Path) -> Iterator[FoundFile]:
    """Every file of the archive, by its name; none is read."""
    for folder in sorted(archive.glob("??")):
        with os.scandir(folder) as entries:
            for entry in entries:
                match = _ARCHIVED.fullmatch(entry.name)
                if match is not None and entry.is_file(follow_symlinks=False):
                    yield FoundFile(match[1], match[2], entry.stat(follow_symlinks=False).st_size)


def archived_as(archive: Path, sha256: str) -> str:
    """The ending under which the archive has a file; empty where it has none."""
    for path in sorted((archive / sha256[:2]).glob(f"{sha256}.*")):
        match = _ARCHIVED.fullmatch(path.name)
        if match is not None and path.is_file():
            return match[2]
    return ""


def parcel_folders(outgoing: Path) -> Iterator[tuple[Path, str]]:
    """Every folder in `outgoing/` that has the name of a parcel and is one, with its lab."""
    for lab in _folders(outgoing):
        for folder in _folders(lab):
            if _is_parcel(folder, lab.name):
                yield folder, lab.name


def held_jobs(held: Path) -> Iterator[tuple[int, Path]]:
    """Every folder of ours in `held/`, with the number of its job."""
    for surface in _folders(held):
        for folder in _folders(surface):
            match = _HELD.fullmatch(folder.name)
            if match is not None and any((folder / ours).is_file() for ours in OURS):
                yield int(match[1]), folder


def parcel_number(name: str, lab: str) -> int:
    """The number in a parcel's name; 0 where it is not the name of a parcel of that lab."""
    match = _PARCEL.fullmatch(name)
    if match is None or match[1] != lab:
        return 0
    number = int(match[2])
    return number if name == f"{lab}-{job_number(number)}" else 0


def _is_parcel(folder: Path, lab: str) -> bool:
    if not parcel_number(folder.name, lab):
        return False
    return any((folder / name).is_file() for name in (_TICKET, _NOTICE, TAG_MANIFEST))


def _folders(folder: Path) -> list[Path]:
    try:
        return sorted(each for each in folder.iterdir() if each.is_dir() and not each.is_symlink())
    except FileNotFoundError:
        return []
    except OSError as error:
        raise durable.translate(error, folder) from error


def _at(workshop: Workshop, lab: Lab) -> list[Path]:
    """Parcels in the folder by which a lab is delivered to, where it can be looked into."""
    if lab.delivery.method != "folder":
        return []
    try:
        folders = _folders(workshop.folders.root / lab.delivery.path)
    except PlatemarkError:
        return []  # the lab's end is away, and tells nothing
    return [folder for folder in folders if _is_parcel(folder, lab.id)]


def _parcel(workshop: Workshop, folder: Path, lab_id: str, found: Found) -> FoundParcel:
    number = parcel_number(folder.name, lab_id)
    found.seen_parcel(lab_id, number)
    wrong = verify_parcel(folder)
    ticket = _read(folder, _TICKET, ParcelTicket, lab_id, found)
    notice = _read(folder, _NOTICE, RecallNotice, lab_id, found) if ticket is None else None
    unread = "" if ticket is not None or notice is not None else f"{_TICKET} cannot be read."
    tags = folder / TAG_MANIFEST
    tagmanifest = durable.hash_file(tags) if tags.is_file() else ""
    lab = workshop.settings.lab(lab_id)
    copy = workshop.folders.root / lab.delivery.path / folder.name if lab is not None else None
    return FoundParcel(
        name=folder.name,
        lab=lab_id,
        number=number,
        folder=folder,
        tagmanifest=tagmanifest,
        ticket=ticket,
        notice=notice,
        wrong=wrong[0] if wrong else unread,
        at_lab=lab is not None
        and lab.delivery.method == "folder"
        and copy is not None
        and tagmanifest != ""
        and _same_list(copy, tagmanifest),
    )


def _same_list(folder: Path, tagmanifest: str) -> bool:
    try:
        return durable.hash_file(folder / TAG_MANIFEST) == tagmanifest
    except OSError:
        return False


def _read(folder: Path, name: str, kind: type[Told], lab: str, found: Found) -> Told | None:
    """A parcel's ticket or notice; where it makes no sense, its numbers count all the same."""
    path = folder / name
    try:
        if path.stat().st_size > LARGEST_TICKET:
            return None
        data = json.loads(path.read_bytes())
    except (OSError, ValueError, RecursionError):
        return None
    _numbers_in(data, found)
    try:
        told = from_plain(kind, data)
    except (msgspec.ValidationError, ValueError, TypeError):
        return None
    return told if (told.parcel, told.lab) == (folder.name, lab) else None


def _numbers_in(data: object, found: Found) -> None:
    told = data if isinstance(data, dict) else {}
    for each in (*_list(told.get("tickets")), *_list(told.get("prints"))):
        job = each.get("job") if isinstance(each, dict) else None
        if isinstance(job, int) and 0 < job < 10**12:
            found.seen_job(job)


def _list(value: object) -> list[object]:
    return value if isinstance(value, list) else []


def _held(workshop: Workshop, found: Found) -> None:
    archive = workshop.folders.archive
    for job, folder in held_jobs(workshop.folders.held):
        found.seen_job(job)
        picture = next(
            (
                (each.name, sha256)
                for each in sorted(folder.iterdir())
                if each.name not in OURS and each.is_file() and not each.is_symlink()
                if archived_as(archive, sha256 := durable.hash_file(each))
            ),
            None,
        )
        if picture is None:
            found.held_unknown.append(str(folder.relative_to(workshop.folders.root)))
        else:
            name = folder.name.rpartition("--")[0]
            # The folder has the file's own name; the picture may have another that is safe here.
            shown = name if os.fsencode(picture[0]).startswith(b"picture-") else picture[0]
            found.held.append(FoundHeld(job, folder.parent.name, shown, picture[1]))


def _taken(workshop: Workshop, found: Found) -> None:
    hot = workshop.folders.hot
    for surface in _folders(hot):
        taken = surface / TAKEN
        for path in sorted(taken.iterdir()) if taken.is_dir() else ():
            match = _TAKEN.fullmatch(path.name)
            if match is not None and path.is_file() and not path.is_symlink():
                found.seen_job(int(match[1]))
                found.taken.setdefault(path.stat().st_size, []).append((int(match[1]), path))


def _work(workshop: Workshop, found: Found) -> None:
    """What lay half done in `work/` has its job's or its parcel's number in its name."""
    for kind in ("faces", "prints", "drawings", "held", "parcels"):
        folder = workshop.folders.scratch(kind)
        for path in sorted(folder.iterdir()) if folder.is_dir() else ():
            staged = _STAGED.fullmatch(path.name)
            name = _PARCEL.fullmatch(staged[1]) if staged is not None else None
            if name is not None:
                found.seen_parcel(name[1], int(name[2]))
            elif (job := _NUMBERED.fullmatch(path.name)) is not None and kind != "parcels":
                found.seen_job(int(job[1]))
