"""Delivery into a folder: the lab's drop box on this machine or on a share.

Two names of ours stand in the lab's folder while a parcel is on its way: the copy under its private
name, and a mark. The mark says later that this is the folder that was uploaded to, because the
mount point of a share that is away looks like a lab that has taken everything. It says too whether
the copy was ever given its final name: one that went away before that was taken by nobody. Before
an upload, what is remembered of where the folder's disk or share was mounted does the same service.
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
from platemark.model.errors import DeliveryFault, DiskFault, DiskFull
from platemark.model.lab import DeliveryMeans

METHOD: Final = "folder"

_COPIED: Final = (
    b"A parcel is being copied into this folder. Leave this file; it goes away by itself.\n"
)
_SHOWN: Final = (
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
            _set_mark(_mark(folder, delivery_id), _COPIED)
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
            # The mark stays until the record has it: the lab may take the parcel before.
            return _outcome(parcel, private, folder / parcel.name, mark)

    def forget(self, parcel: Path, means: DeliveryMeans, root: Path, delivery_id: str) -> None:
        """Remove the mark, and a private copy; the parcel's own name is not looked at.

        Raises:
            DeliveryFault: the folder is not there, or something else has the private name.
        """
        del parcel
        with _reaching(means):
            folder = _lab_folder(means, root)
            _same_disk_as_last_time(folder, means, root)
            private, mark = _private(folder, delivery_id), _mark(folder, delivery_id)
            if _mode(private) is None and _mode(mark) is None:
                return
            # The mark goes last: it says that the rest of it is ours.
            durable.remove_tree(private)
            durable.remove_file(_coming(mark))
            durable.remove_file(mark)
            durable.sync_folder(folder)


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
    except (DiskFault, DiskFull) as error:
        raise DeliveryFault(
            f"The parcel cannot be brought into the lab's folder {means.path}: {error.sentence}",
            "The parcel waits in outgoing/ and is tried again. Look at that disk or share: is "
            "there room, may Platemark write there?",
        ) from error


def _outcome(parcel: Path, private: Path, final: Path, mark: Path) -> Revealed:
    if _mode(private) is not None:
        if _mode(final) is not None:
            return "conflict"
        _set_mark(mark, _SHOWN)
        try:
            durable.publish(private, final)
        except durable.AlreadyThere:
            _set_mark(mark, _COPIED)
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
    return "gone" if _says(mark, _COPIED) else "inferred"


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
    mark = folder / f".platemark-{delivery_id}"
    mode = _mode(mark)
    if mode is not None and not stat.S_ISREG(mode):
        raise DeliveryFault(
            f"{mark} in the lab's folder is a link or a folder; only Platemark may use that name.",
            "Nothing was touched. Find out who put it there and remove it; it is tried again.",
        )
    return mark


def _coming(mark: Path) -> Path:
    return mark.with_name(f"{mark.name}.new")


def _set_mark(mark: Path, text: bytes) -> None:
    if _mode(mark) is None:
        durable.write_new(mark, text)
    elif not _says(mark, text):
        durable.write_over(mark, text, _coming(mark))
    durable.sync_folder(mark.parent)


def _says(mark: Path, text: bytes) -> bool:
    with mark.open("rb") as file:
        return file.read(len(text) + 1) == text


def _mode(path: Path) -> int | None:
    """What a name stands for, links not followed; None where nothing has it."""
    try:
        return path.lstat().st_mode
    except FileNotFoundError:
        return None


def _files(folder: Path) -> list[Path]:
    return sorted(path for path in folder.rglob("*") if path.is_file())


def _equal(ours: Path, other: Path) -> bool:
    """Whether a folder holds what ours does; of another, however large, no more is read than that.

    Names and lengths come before any byte: what the lab has there may have no end.
    """
    sizes = {path.relative_to(ours): path.stat().st_size for path in _files(ours)}
    found: set[Path] = set()
    for at, folders, files in os.walk(other):
        links = [name for name in folders if Path(at, name).is_symlink()]
        for name in (*files, *links):
            path = Path(at, name)
            relative, status = path.relative_to(other), path.lstat()
            if not stat.S_ISREG(status.st_mode) or sizes.get(relative) != status.st_size:
                return False
            found.add(relative)
    return found == sizes.keys() and all(
        durable.hash_file(ours / name) == durable.hash_file(other / name) for name in sorted(found)
    )
