"""Entries about what is kept that more than one part writes, each once."""

from __future__ import annotations

from typing import Any

import structlog

from platemark.engine.archive_check import Round, load_round, save_round
from platemark.engine.retention import Item
from platemark.engine.workshop import Workshop
from platemark.ledger.keeping import Keeping
from platemark.model.ticket import Witness


def record_round(workshop: Workshop, at: Round, strays: int) -> None:
    """Record that everything was read once, and begin from the front; once for a round."""
    newest = Keeping(workshop.ledger.read).newest("archive-verified")
    if newest is None or newest.body["since"] != at.begun:
        with workshop.ledger.transaction() as transaction:
            body = {
                "since": at.begun,
                "files": at.files,
                "parcels": at.parcels,
                "bytes": str(at.bytes),
                "faults": at.faults,
                "strays": strays,
            }
            transaction.append("archive-verified", body)
        structlog.get_logger().info("archive-verified", files=at.files, faults=at.faults)
    left = load_round(workshop.folders.work)
    if left is not None and left.begun == at.begun:
        save_round(workshop.folders.work, None)


def record_backup(workshop: Workshop, body: dict[str, Any], report: str) -> None:
    """Record that a backup was made; once for a report.

    A report of a copy whose newest entry is none of this record's is not believed.
    """
    read = workshop.ledger.read
    if read.find_witness_fault(Witness(body["seq"], body["hash"])) is not None:
        structlog.get_logger().warning("report-not-believed", seq=body["seq"], to=body["to"])
        return
    newest = Keeping(read).newest("backed-up")
    if newest is not None and newest.body.get("report") == report:
        return
    with workshop.ledger.transaction() as transaction:
        transaction.append("backed-up", {**body, "report": report})


def record_changed(workshop: Workshop, changed: list[Item]) -> tuple[Item, ...]:
    """Record files in `taken/` that were written to later, each content once; gives them all."""
    if not changed:
        return ()
    told = workshop.ledger.read.entries(kind="taken-changed")
    known = {(entry.body["path_hex"], entry.body["found"]) for entry in told}
    for item in changed:
        if (item.path.hex(), item.sha256) in known:
            continue
        with workshop.ledger.transaction() as transaction:
            body = {"path_hex": item.path.hex(), "found": item.sha256, "about": item.job}
            transaction.append("taken-changed", body)
        structlog.get_logger().warning("taken-changed", job=item.job)
    return tuple(changed)
