"""Delivery into a folder: the lab's drop box on this machine or on a share."""

from __future__ import annotations

import os
from pathlib import Path
from typing import Final

from platemark import durable
from platemark.delivery import Revealed
from platemark.model.errors import DeliveryFault
from platemark.model.lab import DeliveryMeans

METHOD: Final = "folder"


class FolderCourier:
    """Copies a parcel beside its place under a private name, proves it, then renames it."""

    def upload(self, parcel: Path, means: DeliveryMeans, root: Path, delivery_id: str) -> None:
        """Put a proved copy under a private name; a left-over one is replaced.

        Raises:
            DeliveryFault: the folder is not there, or gave back other bytes.
        """
        private = _private(means, root, delivery_id)
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

    def reveal(self, parcel: Path, means: DeliveryMeans, root: Path, delivery_id: str) -> Revealed:
        """Give the copy its final name. The private name is the witness of what happened before.

        Raises:
            DeliveryFault: the folder is not there.
        """
        private = _private(means, root, delivery_id)
        final = private.parent / parcel.name
        if private.exists() and not os.path.lexists(final):
            try:
                durable.publish(private, final)
            except durable.AlreadyThere:
                return "conflict"
            return "delivered"
        if private.exists():
            return "conflict"
        if not os.path.lexists(final):
            return "inferred"
        return "delivered" if _equal(parcel, final) else "conflict"


COURIER: Final = FolderCourier()


def _private(means: DeliveryMeans, root: Path, delivery_id: str) -> Path:
    folder = root / means.path
    if not folder.is_dir():
        raise DeliveryFault(
            f"The lab's folder {means.path} is not there.",
            "Connect the disk or the share. The parcel waits in outgoing/ and is tried again.",
        )
    return folder / f".up-{delivery_id}"


def _files(folder: Path) -> list[Path]:
    return sorted(path for path in folder.rglob("*") if path.is_file())


def _equal(one: Path, other: Path) -> bool:
    names = [path.relative_to(one) for path in _files(one)]
    if names != [path.relative_to(other) for path in _files(other)]:
        return False
    return all(durable.hash_file(one / name) == durable.hash_file(other / name) for name in names)
