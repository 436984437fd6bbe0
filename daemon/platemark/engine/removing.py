"""Takes away what may go by rule: said in the record before, done, and said to be done.

A stop in between is finished by the next start's first turn, or by the next upkeep: an entry
`removal-begun` without its `removal-done` is carried out again, which does no harm.
"""

from __future__ import annotations

import hashlib
import os
import stat
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Any

import structlog

from platemark import durable
from platemark.engine.retention import (
    ERASED_RULE,
    LARGEST_REQUEST,
    MOST_AT_ONCE,
    Item,
    plain_item,
)
from platemark.engine.workshop import Folders, Workshop
from platemark.intake.drop_files import folder_below
from platemark.ledger.keeping import Keeping
from platemark.ledger.read import Reader
from platemark.parcel.bag import BAG_INFO, DECLARATION, TAG_MANIFEST

LISTS = (DECLARATION, BAG_INFO, TAG_MANIFEST)
"""Of a parcel: no word of a request is in them, nor a print file's name."""
LEAVING = "leaving"
"""In `work/`: parcels that left `outgoing/` whole, on their way to nothing."""


@dataclass(frozen=True, slots=True)
class Prepared:
    """Items that may go now: what must be archived before was archived."""

    items: tuple[Item, ...]
    papers: tuple[dict[str, Any], ...]
    requests: tuple[dict[str, Any], ...]


@dataclass(frozen=True, slots=True)
class Removed:
    """What came of one removal."""

    files: int
    bytes: int
    stayed: int
    """Items that were no longer what was to go."""


def prepare(workshop: Workshop, items: Sequence[Item]) -> Prepared:
    """Archive by content what an item is to leave behind; one that cannot stays where it is.

    It writes nothing to the record, so it may be done beside the service's own thread.
    """
    ready: list[Item] = []
    papers: list[dict[str, Any]] = []
    requests: list[dict[str, Any]] = []
    for item in items:
        try:
            if item.place == "outgoing":
                papers += _keep_papers(workshop, item)
            elif item.is_request:
                requests.append(_keep_request(workshop, item))
        except OSError as error:
            structlog.get_logger().warning("kept-by-a-fault", why=str(error))
            continue
        ready.append(item)
    return Prepared(tuple(ready), tuple(papers), tuple(requests))


def begin(workshop: Workshop, prepared: Prepared) -> list[int]:
    """Record what will be removed; gives the numbers of the entries that say so."""
    entries = []
    for first in range(0, len(prepared.items), MOST_AT_ONCE):
        items = prepared.items[first : first + MOST_AT_ONCE]
        paths = {item.path for item in items}
        parcels = {item.parcel for item in items}
        with workshop.ledger.transaction() as transaction:
            entry = transaction.append(
                "removal-begun",
                {
                    "items": [plain_item(item) for item in items],
                    "papers": [each for each in prepared.papers if each["parcel"] in parcels],
                    "requests": [
                        each
                        for each in prepared.requests
                        if bytes.fromhex(each["path_hex"]) in paths
                    ],
                },
            )
        entries.append(entry.seq)
    return entries


def carry_out(
    reader: Reader, folders: Folders, seq: int, ending: Callable[[], bool] = lambda: False
) -> Removed | None:
    """Remove what an entry says; may be done again, and beside the service's own thread.

    Returns:
        What was removed; None where it was to stop before the end.
    """
    entry = reader.entry(seq)
    files = size = stayed = 0
    for each in entry.body["items"] if entry is not None else ():
        if ending():
            return None
        item = _item(each)
        try:
            gone = _remove(reader, folders, item)
        except (FileNotFoundError, NotADirectoryError):
            gone = True
        except OSError as error:
            structlog.get_logger().warning("not-removed", why=str(error))
            gone = False
        files, size = files + gone, size + gone * item.bytes
        stayed += not gone
    return Removed(files, size, stayed)


def end(workshop: Workshop, seq: int, removed: Removed) -> None:
    """Record that a removal was carried out."""
    with workshop.ledger.transaction() as transaction:
        body = {
            "of": seq,
            "files": removed.files,
            "bytes": str(removed.bytes),
            "stayed": removed.stayed,
        }
        transaction.append("removal-done", body)
    structlog.get_logger().info("removed-by-rule", files=removed.files, stayed=removed.stayed)


def tidy_work(workshop: Workshop) -> None:
    """Clear from `work/` what no job needs; nothing there is part of the record."""
    read, folders = workshop.ledger.read, workshop.folders
    for left in folders.scratch("drawings").glob("*.jpg"):
        row = read.job(int(left.stem)) if left.stem.isdecimal() else None
        if row is not None and row.state in ("parcelled", "delivered", "withdrawn"):
            durable.remove_file(left)
    for kind in ("faces", "prints"):
        for left in folders.scratch(kind).iterdir():
            number = left.name.partition("-")[0]
            row = read.job(int(number)) if number.isdecimal() else None
            if row is not None and row.state in ("delivered", "withdrawn", "parcelled"):
                durable.remove_file(left)


def _item(body: dict[str, Any]) -> Item:
    path = bytes.fromhex(body["path_hex"]) if "path_hex" in body else body["path"].encode()
    return Item(
        body["rule"], body["place"], path, body["sha256"], int(body["bytes"]), body["extension"],
        body["job"], body.get("parcel", ""), body.get("lab", ""),
    )  # fmt: skip


def _keep_papers(workshop: Workshop, item: Item) -> list[dict[str, Any]]:
    """Archive everything of a parcel but its print files and previews, which the archive has.

    Of one that goes because a client's words are erased only what holds none of them.

    Raises:
        OSError: something of it cannot be read.
    """
    folder = workshop.folders.root / os.fsdecode(item.path)
    papers = []
    for path in sorted(folder.iterdir()):
        if not stat.S_ISREG(path.lstat().st_mode):
            continue
        if item.rule == ERASED_RULE and path.name not in LISTS:
            continue
        data = path.read_bytes()
        extension = path.suffix.removeprefix(".").lower() or "txt"
        papers.append(
            {
                "parcel": item.parcel,
                "name": path.name,
                "sha256": workshop.keep_bytes(data, extension),
                "extension": extension,
                "bytes": str(len(data)),
            }
        )
    return papers


def _keep_request(workshop: Workshop, item: Item) -> dict[str, Any]:
    with folder_below(workshop.folders.hot, item.path) as folder:
        name = item.path.rsplit(b"/", 1)[-1]
        descriptor = os.open(name, os.O_RDONLY | os.O_NOFOLLOW | os.O_NONBLOCK, dir_fd=folder)
        with os.fdopen(descriptor, "rb") as file:
            data = file.read(LARGEST_REQUEST + 1)
    if hashlib.sha256(data).hexdigest() != item.sha256:
        raise OSError("a request in taken/ changed while it was read")
    return {
        "path_hex": item.path.hex(),
        "sha256": workshop.keep_bytes(data, "toml"),
        "extension": "toml",
        "bytes": str(len(data)),
    }


def _remove(reader: Reader, folders: Folders, item: Item) -> bool:
    """Remove one item if it is still what was to go; whether it is gone.

    Raises:
        OSError: it is gone already, or the disk refuses.
    """
    if item.place == "outgoing":
        return _remove_parcel(reader, folders, item)
    base = folders.hot if item.place == "hot" else folders.root
    if (
        item.place == "archive"
        and item.extension
        and Keeping(reader).needs(item.sha256, item.extension)
    ):
        return False
    with folder_below(base, item.path) as folder:
        name = item.path.rsplit(b"/", 1)[-1]
        # What the archive calls by its hash goes by its name; anything else by its content.
        if not (item.place == "archive" and item.extension):
            before = os.stat(name, dir_fd=folder, follow_symlinks=False)
            if not stat.S_ISREG(before.st_mode) or before.st_size != item.bytes:
                return False
            if _hash_at(folder, name) != item.sha256:
                return False
            after = os.stat(name, dir_fd=folder, follow_symlinks=False)
            if durable.identity(before) != durable.identity(after):
                return False
        durable.remove_at(folder, base / os.fsdecode(item.path))
    return True


def _remove_parcel(reader: Reader, folders: Folders, item: Item) -> bool:
    """A parcel leaves `outgoing/` whole, by one rename, and is taken apart elsewhere."""
    leaving = folders.scratch(LEAVING) / item.parcel
    durable.remove_tree(leaving)
    parcel = reader.parcel(item.parcel)
    folder = folders.outgoing / item.lab / item.parcel
    if parcel is None or folder.parent.is_symlink() or not folder.parent.is_dir():
        return False
    if not os.path.lexists(folder):
        return True
    manifest = folder / TAG_MANIFEST
    if not manifest.is_file() or durable.hash_file(manifest) != item.sha256:
        return False
    durable.make_folder(leaving.parent)
    durable.publish(folder, leaving)
    durable.remove_tree(leaving)
    return True


def _hash_at(folder: int, name: bytes) -> str:
    descriptor = os.open(name, os.O_RDONLY | os.O_NOFOLLOW | os.O_NONBLOCK, dir_fd=folder)
    with os.fdopen(descriptor, "rb") as file:
        return hashlib.file_digest(file, "sha256").hexdigest()
