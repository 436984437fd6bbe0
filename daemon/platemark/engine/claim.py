"""Seen, settled, claimed: a drop becomes a job once its original is in the archive and proved."""

from __future__ import annotations

import os
import secrets
from pathlib import Path

import structlog

from platemark import durable
from platemark.engine.workshop import Workshop, drop_path
from platemark.intake import scan
from platemark.intake.layers import Gathered, gather
from platemark.intake.scan import Sighting, open_drop
from platemark.ledger.read import DropRow
from platemark.ledger.store import Transaction
from platemark.model.job import Drop, shown_name
from platemark.model.plain import to_plain
from platemark.model.request import PERSONAL_KEYS, Layer


def claim(workshop: Workshop, sighting: Sighting) -> int | None:
    """Copy a settled drop into the archive, read it back, and make it a job.

    Args:
        workshop: The open studio.
        sighting: A settled file under the hot root.

    Returns:
        The job's number; None where the file vanished or changed meanwhile (the next scan tells).

    Raises:
        DiskFull: there was not room enough after all.
        DiskFault: the disk refuses.
    """
    name = shown_name(sighting.relative.rsplit(b"/", 1)[-1])
    surface = workshop.settings.surface(sighting.surface)
    if surface is None:
        return None
    gathered = gather(workshop.folders.hot, sighting.relative, surface.defaults)
    spool = workshop.folders.scratch("spool") / secrets.token_hex(8)
    copied = _copy(workshop, sighting, spool, name)
    if copied is None:
        return None
    extension = _extension(sighting.relative)
    workshop.keep_file(spool, copied.sha256, extension)
    drop = Drop(
        sighting.surface,
        sighting.relative.hex(),
        sighting.size,
        sighting.mtime_ns,
        sighting.inode,
        sighting.device,
    )
    with workshop.ledger.transaction() as transaction:
        job = workshop.ledger.read.newest_job() + 1
        transaction.append(
            "claimed",
            {
                "state": "claimed",
                "name": name,
                "drop": to_plain(drop),
                "original": {
                    "sha256": copied.sha256,
                    "extension": extension,
                    "bytes": str(copied.bytes),
                },
                "sidecar_hex": gathered.sidecar.hex() if gathered.sidecar is not None else None,
                "sidecar_identity": _without_times(gathered.sidecar_identity),
                **said(transaction, gathered),
            },
            job=job,
        )
    structlog.get_logger().info("claimed", job=job, name=name, surface=sighting.surface)
    return job


def _copy(workshop: Workshop, sighting: Sighting, spool: Path, name: str) -> durable.Copied | None:
    """Copy a drop into the spool; None where it vanished or changed meanwhile."""
    log = structlog.get_logger()
    try:
        descriptor = open_drop(workshop.folders.hot, sighting.relative)
    except OSError as error:
        log.warning("drop-unreadable", name=name, why=error.strerror)
        return None
    try:
        if durable.identity(os.fstat(descriptor)) != sighting.identity:
            return None
        return durable.copy_checked(descriptor, spool)
    except durable.Changed:
        log.info("drop-changed-while-read", name=name)
        return None
    finally:
        os.close(descriptor)


def said(transaction: Transaction, gathered: Gathered) -> dict[str, object]:
    """What was asked, as an entry holds it: personal words stand beside the chain."""
    return {
        "layers": [
            {
                "source": layer.source,
                "kind": layer.kind,
                "values": [
                    [key, transaction.word(text) if key in PERSONAL_KEYS else text]
                    for key, text in layer.values
                ],
            }
            for layer in gathered.layers
        ],
        "troubles": to_plain(gathered.troubles),
    }


def layers_of(body: dict[str, object]) -> tuple[Layer, ...]:
    """The layers in a `claimed` entry whose words are filled in."""
    layers: list[Layer] = []
    for layer in body["layers"]:  # type: ignore[attr-defined]
        values = tuple((key, text) for key, text in layer["values"])
        layers.append(Layer(layer["source"], values, layer["kind"]))
    return tuple(layers)


def let_go(workshop: Workshop, row: DropRow) -> None:
    """Move a claimed drop and its sidecar to `taken/`, and record that the folder let go.

    A drop that is not the file that was claimed stays where it is, as a new drop, with an alarm.
    While its hot folder is away nothing is decided. May be called again after a crash at any point.
    """
    job = workshop.ledger.read.job(row.job)
    if job is None:
        return
    entry = workshop.ledger.read.entry(job.claimed_seq)
    if entry is None:
        return
    drop = Drop(**entry.body["drop"])
    handed = _hand_over(workshop, row, drop)
    if handed is None:
        return
    outcome, taken = handed
    if outcome == "taken":
        _sidecar_follows(workshop, row, entry.body.get("sidecar_identity"))
    with workshop.ledger.transaction() as transaction:
        transaction.append(
            "let-go",
            {"outcome": outcome, "taken": os.fsencode(taken).hex()},
            job=row.job,
        )
    if outcome != "taken":
        structlog.get_logger().warning("let-go", job=row.job, outcome=outcome)


def is_the_drop(row: DropRow, found: os.stat_result) -> bool:
    """Whether a file is the one that was claimed; a share mounted anew has another device."""
    return (found.st_ino, found.st_size, found.st_mtime_ns) == (row.inode, row.size, row.mtime_ns)


def _hand_over(workshop: Workshop, row: DropRow, drop: Drop) -> tuple[str, str] | None:
    """Move the drop if it is still the file that was claimed; what came of it, and its new name.

    None where its folder is away: what a share holds that is not connected, nobody knows.
    """
    hot = workshop.folders.hot
    try:
        found = os.lstat(drop_path(workshop, drop))
        if not is_the_drop(row, found):
            return "changed", ""
        return "taken", scan.let_go(hot, drop.path_bytes, row.job).name
    except (FileNotFoundError, NotADirectoryError):
        # After a crash it may have been moved already; else somebody took it away.
        name = drop.path_bytes.rsplit(b"/", 1)[-1]
        target = scan.taken_path(hot, drop.surface_folder, row.job, name)
        if os.path.lexists(target):
            return "taken", target.name
        return ("vanished", "") if _is_there(hot / drop.surface_folder, row.device) else None


def _is_there(folder: Path, device: int) -> bool:
    """Whether a hot folder is on the disk or share where it was; an empty mount point is not."""
    try:
        return folder.stat().st_dev == device
    except OSError:
        return False


def _sidecar_follows(workshop: Workshop, row: DropRow, identity: list[int] | None) -> None:
    """Move the sidecar that was read; another that stands there now is a new word, and stays."""
    if row.sidecar_hex is None:
        return
    hot, relative = workshop.folders.hot, bytes.fromhex(row.sidecar_hex)
    try:
        descriptor = open_drop(hot, relative)
        try:
            found = _without_times(durable.identity(os.fstat(descriptor)))
        finally:
            os.close(descriptor)
        if identity is None or found == identity:
            scan.let_go(hot, relative, row.job)
    except OSError as error:
        structlog.get_logger().info("sidecar-kept", job=row.job, why=error.strerror)


def _without_times(identity: tuple[int, ...] | None) -> list[int] | None:
    """What of a file's identity outlives a remount and a change of rights: inode, size, written."""
    return None if identity is None else [*identity[1:4]]


def _extension(relative: bytes) -> str:
    """A plain extension for the archive; content decides what the file is, not this."""
    name = relative.rsplit(b"/", 1)[-1].lower()
    for ending, extension in (
        ((b".tif", b".tiff"), "tif"),
        ((b".jpg", b".jpeg"), "jpg"),
        ((b".png",), "png"),
    ):
        if name.endswith(ending):
            return extension
    return "bin"
