"""What a start does before it takes anything in: prove, clear away, finish half steps."""

from __future__ import annotations

import shutil

import structlog

from platemark import durable
from platemark.engine.claim import let_go
from platemark.engine.pack import resume
from platemark.engine.workshop import ROOM_KEPT, Workshop
from platemark.intake.mounts import is_network, same_volume
from platemark.model.errors import DiskFault, DiskFull


def recover(workshop: Workshop) -> None:
    """Bring the studio to a state from which work goes on, whatever stopped it last time.

    Raises:
        RecordDamaged: the record does not hold.
        DiskFault: the folders are not all on one local volume.
        DiskFull: there is hardly any room left.
    """
    _fit_disk(workshop)
    workshop.ledger.verify_from_checkpoint()
    # Copies that were cut off are nobody's: what counts is in the archive or still in hot/.
    for kind in ("spool", "faces", "prints", "held"):
        for left in workshop.folders.scratch(kind).iterdir():
            if left.is_dir():
                durable.remove_tree(left)
            else:
                durable.remove_file(left)
    # A drawing is wanted until its parcel is closed; what a child process had in hand is not.
    for left in workshop.folders.scratch("drawings").glob(".child-*"):
        durable.remove_tree(left)
    resume(workshop)
    sealed = {parcel.staging for parcel in workshop.ledger.read.parcels(state="sealed")}
    for left in workshop.folders.scratch("parcels").iterdir():
        if left.name not in sealed:
            durable.remove_tree(left)
    for drop in workshop.ledger.read.drops(here=True):
        row = workshop.ledger.read.job(drop.job)
        if row is not None and row.state != "claimed":
            let_go(workshop, drop)
    structlog.get_logger().info("recovered", head=workshop.ledger.read.head().seq)


def _fit_disk(workshop: Workshop) -> None:
    folders = workshop.folders
    ours = (folders.root, folders.work, folders.archive, folders.held, folders.outgoing)
    if is_network(folders.root):
        raise DiskFault(
            f"{folders.root} is on a network share; the studio must be on a local disk.",
            "Move the studio; only hot folders may be on a share.",
        )
    if not same_volume(*ours):
        raise DiskFault(
            "work/, archive/, held/ and outgoing/ are not all on one disk.",
            "Move them together; only hot folders may be elsewhere.",
        )
    if shutil.disk_usage(folders.root).free < ROOM_KEPT:
        raise DiskFull("The studio's disk is nearly full.", "Free some space, then start again.")
