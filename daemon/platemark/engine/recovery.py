"""What a start does before it takes anything in: prove, clear away, finish half steps."""

from __future__ import annotations

import shutil

import structlog

from platemark import durable
from platemark.engine.hold import tidy_shown
from platemark.engine.moved import know_moved_drops
from platemark.engine.pack import resume, tidy_drawings
from platemark.engine.rescue_gate import refuse_behind
from platemark.engine.workshop import ROOM_KEPT, Workshop
from platemark.intake.mounts import is_network, same_volume
from platemark.model.errors import DiskFault, DiskFull


def recover(workshop: Workshop) -> None:
    """Bring the studio to a state from which work goes on, whatever stopped it last time.

    Raises:
        RecordDamaged: the record does not hold, or knows less than the studio's files.
        DiskFault: the folders are not all on one local volume.
        DiskFull: there is hardly any room left.
    """
    _fit_disk(workshop)
    workshop.ledger.verify_from_checkpoint()
    refuse_behind(workshop)
    # Copies that were cut off are nobody's: what counts is in the archive or still in hot/.
    for kind in ("spool", "faces", "prints", "held", "papers"):
        for left in workshop.folders.scratch(kind).iterdir():
            if left.is_dir():
                durable.remove_tree(left)
            else:
                durable.remove_file(left)
    # A ticket's drawing is wanted until its parcel is delivered; what a child process had in hand,
    # or drew for a held folder that was not made, is not.
    drawings = workshop.folders.scratch("drawings")
    for left in (*drawings.glob(".child-*"), *drawings.glob("held-*")):
        durable.remove_tree(left)
    tidy_shown(workshop)
    resume(workshop)
    tidy_drawings(workshop)
    sealed = {parcel.staging for parcel in workshop.ledger.read.parcels(state="sealed")}
    for left in workshop.folders.scratch("parcels").iterdir():
        if left.name not in sealed:
            durable.remove_tree(left)
    know_moved_drops(workshop)
    structlog.get_logger().info("recovered", head=workshop.ledger.read.head().seq)


def _fit_disk(workshop: Workshop) -> None:
    folders = workshop.folders
    ours = (folders.root, folders.work, folders.archive, folders.held, folders.outgoing)
    if is_network(folders.root):
        raise DiskFault(
            f"{folders.root} is on a network share; the studio must be on a local disk.",
            "Nothing was begun. Move the studio whole; only hot folders may be on a share.",
        )
    if not same_volume(*ours):
        raise DiskFault(
            "work/, archive/, held/ and outgoing/ are not all on one disk.",
            "Nothing was begun. Move them onto one disk; only hot folders may be elsewhere.",
        )
    if shutil.disk_usage(folders.root).free < ROOM_KEPT:
        raise DiskFull(
            "The studio's disk is nearly full, so the service does not start.",
            "Nothing is lost. Free some space, then start again.",
        )
