"""A parcel as a BagIt 1.0 bag (RFC 8493, SHA-256): built whole, and checked again anywhere.

`tagmanifest-sha256.txt` lists every file outside `data/`, so an edited ticket is found; whoever
keeps that one file's hash can prove the whole parcel.
"""

from __future__ import annotations

import hashlib
import json
import os
import re
import stat
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path, PurePosixPath
from typing import Any

import platemark
from platemark import durable
from platemark.model.errors import DiskFault
from platemark.model.job import job_number
from platemark.model.paper import Paper
from platemark.model.ticket import ParcelItem, ParcelTicket
from platemark.parcel.forms import (
    Draw,
    Drawings,
    Pictures,
    ticket_forms,
)

BAG_DECLARATION = b"BagIt-Version: 1.0\nTag-File-Character-Encoding: UTF-8\n"
"""`bagit.txt`, byte for byte (RFC 8493, 2.1.1)."""

DECLARATION, BAG_INFO = "bagit.txt", "bag-info.txt"
PAYLOAD_MANIFEST = "manifest-sha256.txt"
TAG_MANIFEST = "tagmanifest-sha256.txt"
NO_PAPERS = "NO-PAPERS.txt"
"""Says in the parcel that a paper is missing, and what says the same."""
PREVIEWS = "screen-previews"
"""Folder of what shows how the prints will look: no payload, so that nobody prints it."""


def preview_path(job: int) -> str:
    """Where a job's screen preview is, from the parcel's root; its name tells what it is."""
    return f"{PREVIEWS}/{job_number(job)}_screen-preview.jpg"


_PAYLOAD_NAME = re.compile(r"data/[A-Za-z0-9_][A-Za-z0-9._-]{0,99}")
# What a lab's computer leaves in folders that somebody looks at; it says nothing of the parcel.
_LITTER = re.compile(r"(?:\.ds_store|thumbs\.db|desktop\.ini|\._.*)", re.IGNORECASE)
# RFC 8493, 2.1.3: only these three are written as codes in a manifest.
_CODED = {"%0A": "\n", "%0D": "\r", "%25": "%"}
_CODE = re.compile("%0A|%0D|%25", re.IGNORECASE)


@dataclass(frozen=True, slots=True)
class BuiltParcel:
    """A finished parcel, still under its working name."""

    tagmanifest_sha256: str
    """Of `tagmanifest-sha256.txt`; with it the whole parcel can be proved."""
    bytes: int
    """Of all files together."""
    lacking: tuple[str, ...] = ()
    """Papers that could not be drawn."""


def without_words(names: Sequence[str]) -> str:
    """Files that a parcel goes without: `ticket.pdf and cover.pdf`."""
    *first, last = names
    return f"{', '.join(first)} and {last}" if first else last


def build_parcel(
    staging: Path,
    parcel_ticket: ParcelTicket,
    items: Sequence[ParcelItem],
    draw: Draw | None = None,
) -> BuiltParcel:
    """Write a whole parcel into a new folder and make it lasting.

    Each print file is copied, and the copy is read once more from the disk and held against the
    hash on its ticket. After a fault the folder is unfinished and is to be removed.

    Args:
        staging: A folder that must not exist yet, on the archive's volume.
        parcel_ticket: What the parcel says of itself.
        items: Its jobs in the same order, with the places of their files.
        draw: Draws its papers; what it leaves out is said in the parcel. None where no papers are
            wanted: the pages say the same.

    Raises:
        FileExistsError: the folder is there already.
        ValueError: the items are not those of the ticket, or two files have one name.
        DiskFault: a file cannot be read, or a copy is not what its ticket says.
        DiskFull: there is no room for it.
    """
    _same_jobs(parcel_ticket, items)
    if os.path.lexists(staging):
        raise FileExistsError(str(staging))
    durable.make_folder(staging / "data")
    for item in items:
        _copy_proved(staging, item)
    payload = {
        item.ticket.print_file.path: (item.ticket.print_file.sha256, item.ticket.print_file.bytes)
        for item in items
    }
    pictures = Pictures(
        {item.ticket.job: _read(Path(item.drawing)) for item in items if item.drawing},
        {item.ticket.job: _preview(item) for item in items if item.ticket.proof is not None},
        {item.ticket.job: item.drawing for item in items if item.drawing},
        {item.ticket.job: item.proof for item in items if item.ticket.proof is not None},
    )
    made = {form.file_name: form.make(parcel_ticket, pictures) for form in ticket_forms()}
    papers = {name: page for name, page in made.items() if isinstance(page, Paper)}
    drawn = draw(papers) if draw is not None else {}
    lacking = tuple(name for name in papers if name not in drawn) if draw is not None else ()
    tags = {
        **_preview_files(items, pictures.previews),
        **{name: page for name, page in made.items() if isinstance(page, bytes)},
        **drawn,
        **({NO_PAPERS: _lacking_note(lacking)} if lacking else {}),
    }
    built = write_bag(staging, parcel_ticket.parcel, parcel_ticket.created, payload, tags)
    return replace(built, lacking=lacking)


def write_bag(
    staging: Path,
    name: str,
    created: str,
    payload: Mapping[str, tuple[str, int]],
    tags: Mapping[str, bytes],
) -> BuiltParcel:
    """Write all of a bag but its payload, which lies in its folder, and make the whole lasting.

    Args:
        staging: The folder, with its `data/`.
        name: The parcel's.
        created: UTC, RFC 3339.
        payload: SHA-256 and bytes of every file below `data/`, by its path from the root.
        tags: What stands beside it, by file name or by its path.

    Raises:
        DiskFull: there is no room for it.
    """
    size = sum(length for _, length in payload.values())
    # Octets and number of the payload's files (RFC 8493, 2.2.2).
    oxum = f"{size}.{len(payload)}"
    tags = {
        DECLARATION: BAG_DECLARATION,
        BAG_INFO: _bag_info(name, created, oxum),
        PAYLOAD_MANIFEST: _manifest({path: sha256 for path, (sha256, _) in payload.items()}),
        **tags,
    }
    tag_manifest = _manifest(
        {name: hashlib.sha256(data).hexdigest() for name, data in tags.items()}
    )
    if any(name.startswith(f"{PREVIEWS}/") for name in tags):
        durable.make_folder(staging / PREVIEWS)
    for tag, data in [*tags.items(), (TAG_MANIFEST, tag_manifest)]:
        durable.write_new(staging / tag, data)
    durable.sync_tree(staging)
    return BuiltParcel(
        hashlib.sha256(tag_manifest).hexdigest(),
        size + sum(map(len, tags.values())) + len(tag_manifest),
    )


def verify_parcel(folder: Path, tagmanifest_sha256: str | None = None) -> tuple[str, ...]:
    """Check a parcel, at home or at the lab's end; nothing is held in memory but the lists.

    Args:
        folder: The parcel.
        tagmanifest_sha256: What the record has; without it a parcel that was rewritten with all
            its lists passes.

    Returns:
        What is wrong, one sentence each; empty where all is as it was built.

    Raises:
        DiskFault: a file is there but cannot be read.
    """
    if not folder.is_dir():
        return (f"There is no parcel at {folder}.",)
    wrong: list[str] = []
    there = dict(_files(folder, wrong))
    if not _is_declared(folder, there, wrong):
        return tuple(wrong)
    payload = _listed(folder, PAYLOAD_MANIFEST, there, wrong)
    tags = _listed(folder, TAG_MANIFEST, there, wrong)
    known = tagmanifest_sha256 is not None and TAG_MANIFEST in there
    if known and _hash(folder / TAG_MANIFEST) != tagmanifest_sha256:
        wrong.append(f"{TAG_MANIFEST} is not the one that was sent.")
    for name, sha256 in sorted({**payload, **tags}.items()):
        if name not in there:
            wrong.append(f"{name} is missing.")
        elif _hash(folder / name) != sha256:
            wrong.append(f"{name} is not the file that was sent: its content has changed.")
    unlisted = there.keys() - payload.keys() - tags.keys() - {TAG_MANIFEST}
    wrong += [f"{name} is in the parcel but on none of its lists." for name in sorted(unlisted)]
    if "bag-info.txt" in there:
        _check_oxum(folder, there, wrong)
    if "ticket.json" in there:
        _check_tickets(folder, payload, wrong)
    return tuple(wrong)


def _same_jobs(parcel_ticket: ParcelTicket, items: Sequence[ParcelItem]) -> None:
    if tuple(item.ticket for item in items) != parcel_ticket.tickets:
        raise ValueError("the items are not the jobs of the parcel's ticket")
    if not items:
        raise ValueError("a parcel has at least one job")
    paths = [item.ticket.print_file.path for item in items]
    for path in paths:
        if not _PAYLOAD_NAME.fullmatch(path):
            raise ValueError(f"{path!r} is no place for a print file")
    if len({path.casefold() for path in paths}) != len(paths):
        raise ValueError("two print files of the parcel have one name")


def _copy_proved(staging: Path, item: ParcelItem) -> None:
    expected = item.ticket.print_file
    target = staging / expected.path
    sha256 = durable.copy_out(Path(item.print_file), target)
    if sha256 == expected.sha256 and target.stat().st_size == expected.bytes:
        return
    if _hash(Path(item.print_file)) != expected.sha256:
        raise DiskFault(
            f"The archived print file of job {item.ticket.job} is not what it was when it was "
            f"made: {item.print_file}.",
            "Nothing was sent. Put the archive's file back from a backup, and check the disk.",
        )
    raise DiskFault(
        f"The copy of {target.name} is not the same as its original.",
        "Nothing was sent. The archive is whole; check the disk.",
    )


def _preview(item: ParcelItem) -> bytes:
    data, proof = _read(Path(item.proof)), item.ticket.proof
    if proof is None or hashlib.sha256(data).hexdigest() != proof.sha256:
        raise DiskFault(
            f"The archived preview of job {item.ticket.job} is not what it was when it was drawn: "
            f"{item.proof}.",
            "Nothing was sent. Put the archive's file back from a backup, and check the disk.",
        )
    return data


def _lacking_note(names: Sequence[str]) -> bytes:
    are = "is" if len(names) == 1 else "are"
    return (
        f"{without_words(names)} {are} missing here, because the studio's program could not draw "
        f"{'it' if len(names) == 1 else 'them'}.\n"
        "ticket.html says the same: open it in any browser, and print it where paper is wanted.\n"
        "Nothing else is missing.\n"
    ).encode()


def _preview_files(items: Sequence[ParcelItem], previews: Drawings) -> dict[str, bytes]:
    return {
        item.ticket.proof.path: previews[item.ticket.job]
        for item in items
        if item.ticket.proof is not None
    }


def _bag_info(name: str, created: str, oxum: str) -> bytes:
    # Platemark is named, the studio and its people are not: a bag's label may be read by anybody.
    return (
        f"Bag-Software-Agent: Platemark {platemark.__version__}\n"
        f"Bagging-Date: {created[:10]}\n"
        f"External-Identifier: {name}\n"
        f"Payload-Oxum: {oxum}\n"
    ).encode()


def _manifest(hashes: dict[str, str]) -> bytes:
    return "".join(f"{sha256}  {name}\n" for name, sha256 in sorted(hashes.items())).encode("ascii")


def _files(folder: Path, wrong: list[str]) -> Iterator[tuple[str, int]]:
    """Every file below, by its path from the folder, with its length; links are not followed."""

    def refused(error: OSError) -> None:
        raise durable.translate(error, folder) from error

    for at, folders, files in os.walk(folder, onerror=refused):
        for name in [*files, *folders]:
            path = Path(at, name)
            status = path.lstat()
            shown = path.relative_to(folder).as_posix()
            if stat.S_ISREG(status.st_mode):
                if not _LITTER.fullmatch(name):
                    yield shown, status.st_size
            elif not stat.S_ISDIR(status.st_mode):
                wrong.append(f"{shown} is not a file but a link or a device.")


def _is_declared(folder: Path, there: dict[str, int], wrong: list[str]) -> bool:
    if "bagit.txt" not in there:
        wrong.append("bagit.txt is missing: this is no parcel, or not all of it.")
    elif _read(folder / "bagit.txt") != BAG_DECLARATION:
        wrong.append("bagit.txt does not say BagIt 1.0 in UTF-8.")
    return not wrong


def _listed(folder: Path, manifest: str, there: dict[str, int], wrong: list[str]) -> dict[str, str]:
    if manifest not in there:
        wrong.append(f"{manifest} is missing.")
        return {}
    listed: dict[str, str] = {}
    lines = _text(folder / manifest).replace("\r\n", "\n").removesuffix("\n").split("\n")
    for number, line in enumerate(lines, 1):
        match = re.fullmatch(r"([0-9A-Fa-f]{64})[ \t]+\*?(\S.*)", line)
        name = _CODE.sub(lambda code: _CODED[code[0].upper()], match[2]) if match else ""
        if match is None or not _is_inside(name, payload=manifest == PAYLOAD_MANIFEST):
            wrong.append(f"Line {number} of {manifest} cannot be read.")
        elif name in listed:
            wrong.append(f"{manifest} lists {name} twice.")
        else:
            listed[name] = match[1].lower()
    return listed


def _is_inside(name: str, *, payload: bool) -> bool:
    path = PurePosixPath(name)
    if not path.parts or path.is_absolute() or ".." in path.parts or "\\" in name:
        return False
    return (path.parts[0] == "data") == payload


def _check_oxum(folder: Path, there: dict[str, int], wrong: list[str]) -> None:
    sizes = [size for name, size in there.items() if name.startswith("data/")]
    found = f"{sum(sizes)}.{len(sizes)}"
    said = re.findall(r"^Payload-Oxum:\s*(\S+)\s*$", _text(folder / "bag-info.txt"), re.MULTILINE)
    if said != [found]:
        wrong.append(
            f"The print files are {found} (bytes.files); bag-info.txt says "
            f"{', '.join(said) or 'nothing'}."
        )


def _check_tickets(folder: Path, payload: dict[str, str], wrong: list[str]) -> None:
    """The tickets and the list of print files say the same."""
    try:
        data: Any = json.loads(_read(folder / "ticket.json"))
        files = {
            ticket["print_file"]["path"]: ticket["print_file"]["sha256"]
            for ticket in data["tickets"]
        }
    except (ValueError, KeyError, TypeError):
        wrong.append("ticket.json cannot be read.")
        return
    if files != payload:
        wrong.append("ticket.json and the list of print files do not name the same files.")


def _text(path: Path) -> str:
    return _read(path).decode("utf-8", "replace")


def _read(path: Path) -> bytes:
    try:
        return path.read_bytes()
    except OSError as error:
        raise durable.translate(error, path) from error


def _hash(path: Path) -> str:
    try:
        return durable.hash_file(path)
    except OSError as error:
        raise durable.translate(error, path) from error
