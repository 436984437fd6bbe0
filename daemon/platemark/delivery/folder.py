"""Delivery into a folder: the lab's drop box on this machine or on a share.

Two names of ours stand in the lab's folder while a parcel is on its way: the copy under its private
name, and a mark. The mark says later that this is the folder that was uploaded to, because the
mount point of a share that is away looks like a lab that has taken everything. Before an upload,
what is remembered of where the folder's disk or share was mounted does the same service.
"""

from __future__ import annotations

import hashlib
import os
import stat
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Final

from platemark import durable
from platemark.delivery import Revealed
from platemark.model.errors import DeliveryFault
from platemark.model.lab import DeliveryMeans

METHOD: Final = "folder"

_MARK_TEXT: Final = (
    b"A parcel is on its way into this folder. Leave this file; it goes away by itself.\n"
)


class FolderCourier:
    """Copies a parcel beside its place under a private name, proves it, then renames it."""

    def upload(self, parcel: Path, means: DeliveryMeans, root: Path, delivery_id: str) -> None:
        """Put a proved copy under a private name; a left-over one is replaced.

        Raises:
            DeliveryFault: the folder is not there, something else has the private name, or the
                folder gave back other bytes.
        """
        with _reaching(means):
            folder = _lab_folder(means, root)
            private = _private(folder, delivery_id)
            _same_disk_as_last_time(folder, means, root)
            _set_mark(_mark(folder, delivery_id))
            durable.remove_tree(private)
            durable.make_folder(private)
            for source in _files(parcel):
                target = private / source.relative_to(parcel)
                durable.make_folder(target.parent)
                durable.copy_out(source, target)
            durable.sync_tree(private)
            if not _equal(parcel, private):
                raise DeliveryFault(
                    f"The lab's folder gave back other bytes than were written for {parcel.name}.",
                    "It is tried again. If it stays so, check that disk or share.",
                )
            _remember_disk(folder, means, root)

    def reveal(self, parcel: Path, means: DeliveryMeans, root: Path, delivery_id: str) -> Revealed:
        """Give the copy its final name. Private name and mark witness what happened before.

        Raises:
            DeliveryFault: the folder is not there, or it is another than was uploaded to.
        """
        with _reaching(means):
            folder = _lab_folder(means, root)
            private, mark = _private(folder, delivery_id), _mark(folder, delivery_id)
            outcome = _outcome(parcel, private, folder / parcel.name, mark)
            if outcome != "conflict":
                durable.remove_file(mark)
                durable.sync_folder(folder)
            return outcome


COURIER: Final = FolderCourier()


@contextmanager
def _reaching(means: DeliveryMeans) -> Iterator[None]:
    """A share that goes away in the middle is the lab's end that cannot be reached."""
    try:
        yield
    except OSError as error:
        raise DeliveryFault(
            f"The lab's folder {means.path} cannot be used: {error.strerror or error}.",
            "Connect the disk or the share. The parcel waits in outgoing/ and is tried again.",
        ) from error


def _outcome(parcel: Path, private: Path, final: Path, mark: Path) -> Revealed:
    if _mode(private) is not None:
        if _mode(final) is not None:
            return "conflict"
        try:
            durable.publish(private, final)
        except durable.AlreadyThere:
            return "conflict"
        return "delivered"
    if _mode(final) is not None:
        return "delivered" if _equal(parcel, final) else "conflict"
    if _mode(mark) is None:
        raise DeliveryFault(
            f"The lab's folder {final.parent} is not the one that {parcel.name} was copied to: "
            "neither the parcel nor our mark is in it.",
            "Connect the disk or the share; it is tried again. If the lab says that it has the "
            f"parcel, put an empty file called {mark.name} into that folder.",
        )
    return "inferred"


def _lab_folder(means: DeliveryMeans, root: Path) -> Path:
    folder = root / means.path
    if not folder.is_dir():
        raise DeliveryFault(
            f"The lab's folder {means.path} is not there.",
            "Connect the disk or the share. The parcel waits in outgoing/ and is tried again.",
        )
    return folder


def _memory(means: DeliveryMeans, root: Path) -> Path:
    name = hashlib.sha256(means.path.encode("utf-8", "surrogateescape")).hexdigest()[:16]
    return root / "work" / "lab-folders" / name


def _mount_point(folder: Path) -> Path:
    """Where the disk or share that a folder lies on is mounted."""
    real = folder.resolve()
    return next((each for each in (real, *real.parents) if os.path.ismount(each)), Path(real.root))


def _same_disk_as_last_time(folder: Path, means: DeliveryMeans, root: Path) -> None:
    memory, now = _memory(means, root), _mount_point(folder)
    last = Path(os.fsdecode(memory.read_bytes())) if memory.is_file() else now
    if now in last.parents:
        raise DeliveryFault(
            f"The lab's folder {means.path} was on the disk or share at {last} last time, and that "
            "is not connected: what is there now is only the empty place for it.",
            "Connect it; the parcel waits in outgoing/ and is tried again. If the lab's folder has "
            f"moved for good, remove {memory}.",
        )


def _remember_disk(folder: Path, means: DeliveryMeans, root: Path) -> None:
    memory, now = _memory(means, root), os.fsencode(_mount_point(folder))
    if memory.is_file() and memory.read_bytes() == now:
        return
    durable.make_folder(memory.parent)
    durable.write_over(memory, now, memory.with_suffix(".new"))


def _private(folder: Path, delivery_id: str) -> Path:
    private = folder / f".up-{delivery_id}"
    mode = _mode(private)
    if mode is not None and not stat.S_ISDIR(mode):
        raise DeliveryFault(
            f"{private} in the lab's folder is a link or a file; only Platemark may use that name.",
            "Nothing was touched. Find out who put it there and remove it; it is tried again.",
        )
    return private


def _mark(folder: Path, delivery_id: str) -> Path:
    return folder / f".platemark-{delivery_id}"


def _set_mark(mark: Path) -> None:
    if _mode(mark) is None:
        durable.write_new(mark, _MARK_TEXT)
    durable.sync_folder(mark.parent)


def _mode(path: Path) -> int | None:
    """What a name stands for, links not followed; None where nothing has it."""
    try:
        return path.lstat().st_mode
    except FileNotFoundError:
        return None


def _files(folder: Path) -> list[Path]:
    return sorted(path for path in folder.rglob("*") if path.is_file())


def _equal(one: Path, other: Path) -> bool:
    names = [path.relative_to(one) for path in _files(one)]
    if names != [path.relative_to(other) for path in _files(other)]:
        return False
    return all(durable.hash_file(one / name) == durable.hash_file(other / name) for name in names)
