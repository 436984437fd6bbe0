"""Seen, settled, claimed: a drop becomes a job once its original is in the archive and proved."""

from __future__ import annotations

import hashlib
import os
from collections.abc import Awaitable, Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass, replace
from functools import partial
from pathlib import Path
from typing import Any, Protocol, TypeVar

import structlog

from platemark import durable
from platemark.engine.workshop import Workshop, drop_path
from platemark.intake import drop_files
from platemark.intake.drop_files import open_drop
from platemark.intake.layers import Gathered, gather
from platemark.intake.look import Sighting
from platemark.intake.order_sheet import said_in
from platemark.ledger.read import DropRow, JobRow, Reader
from platemark.ledger.store import Transaction
from platemark.model.job import Drop, shown_name
from platemark.model.plain import from_plain, to_plain
from platemark.model.request import PERSONAL_KEYS, Layer, Trouble

T = TypeVar("T")
TEST_OF, TEST_PART = "test_of", "test_part"
"""In the entry of a claimed job: the first job of the test that it is a part of, and which part."""
REPRINT_OF = "reprint_of"
"""In the entry of a claimed job: the first print. A request that comes late is not for it."""


class Ask(Protocol):
    """Has a hot folder touched, by whichever thread touches that one."""

    def __call__(self, path: bytes, action: Callable[[], T]) -> Awaitable[T]:
        """Begin an action for a path under the hot root; awaited, it gives what that gave.

        Raises:
            Silent: the hot folder does not answer.
        """
        ...


class StillWritten(Exception):
    """Another program has a drop open for writing; it is not taken in yet."""


@dataclass(frozen=True, slots=True)
class Handed:
    """What came of a drop whose hot folder was to let it go."""

    outcome: str
    """`taken`; `changed` where it is not the file that was claimed; `vanished`."""
    taken: str = ""
    """Its name in `taken/`."""


@dataclass(frozen=True, slots=True)
class Ordered:
    """A row of an order sheet that asks for a print of a file."""

    sheet: int
    """The entry that says that the sheet was read."""
    row: int
    surface: str
    """What it is printed on; it need not be the surface of the file's folder."""
    layer: Layer


@dataclass(frozen=True, slots=True)
class _Claimed:
    """What all jobs of one drop have in common."""

    name: str
    drop: Drop
    original: dict[str, str]


@dataclass(frozen=True, slots=True)
class TakenIn:
    """A drop whose bytes are in the spool, synced and read back, with what is asked of it."""

    name: str
    spool: Path
    copied: durable.Copied
    asked_of: tuple[tuple[Ordered | None, Gathered], ...]


def copy_in(
    workshop: Workshop, sighting: Sighting, rows: Sequence[Ordered], spool: Path, *, patient: bool
) -> TakenIn | None:
    """Gather what is asked of a settled drop and copy it into the spool.

    It touches the hot folder and nothing of the record, so that it may be done beside the
    service's own thread.

    Args:
        workshop: The open studio.
        sighting: A settled file under the hot root.
        rows: The rows of order sheets that ask for it.
        spool: A new file in the studio's own spool.
        patient: Whether a program that has the file open for writing is waited for.

    Returns:
        What was copied; None where the file vanished or changed meanwhile (the next scan tells).

    Raises:
        StillWritten: another program has it open for writing.
        DiskFull: there was not room enough after all.
        DiskFault: the disk refuses.
    """
    name = shown_name(sighting.relative.rsplit(b"/", 1)[-1])
    asked_of = [(row, _gathered(workshop, sighting.relative, row)) for row in rows or (None,)]
    copied = _copy(workshop, sighting, spool, patient=patient)
    return TakenIn(name, spool, copied, tuple(asked_of)) if copied is not None else None


def keep(workshop: Workshop, sighting: Sighting, taken: TakenIn) -> None:
    """Give a copy its place in the archive; may be done beside the service's own thread.

    Raises:
        DiskFull: there was not room enough after all.
        DiskFault: the disk refuses.
    """
    workshop.keep_file(taken.spool, taken.copied.sha256, _extension(sighting.relative))


def record_claim(workshop: Workshop, sighting: Sighting, taken: TakenIn) -> tuple[int, ...]:
    """Make an archived drop a job, or one for each row that asks for it; gives their numbers.

    The jobs of one drop become true together; the first has the drop and lets it go.
    """
    drop = Drop(
        sighting.surface,
        sighting.relative.hex(),
        sighting.size,
        sighting.mtime_ns,
        sighting.inode,
        sighting.device,
    )
    original = {
        "sha256": taken.copied.sha256,
        "extension": _extension(sighting.relative),
        "bytes": str(taken.copied.bytes),
    }
    common = _Claimed(taken.name, drop, original)
    with workshop.ledger.transaction() as transaction:
        first = workshop.ledger.read.newest_job() + 1
        for job, (row, gathered) in enumerate(taken.asked_of, first):
            body = _body(transaction, common, row, gathered)
            if job > first:
                body["drop_of"] = first
            transaction.append("claimed", body, job=job)
    jobs = tuple(range(first, first + len(taken.asked_of)))
    for job in jobs:
        structlog.get_logger().info("claimed", job=job, name=taken.name, surface=sighting.surface)
    return jobs


async def claim_further(workshop: Workshop, of: JobRow, ordered: Ordered, ask: Ask) -> int:
    """Make one more job of the drop of another, which may be gone: its original is archived."""
    body = asked_body(workshop.ledger.read, of)
    drop = Drop(**body["drop"])
    path = drop.path_bytes
    gathered = await ask(path, partial(_gathered, workshop, path, ordered))
    gathered = _with_sidecar_of(body, gathered)
    common = _Claimed(of.original_name, drop, body["original"])
    with workshop.ledger.transaction() as transaction:
        job = workshop.ledger.read.newest_job() + 1
        further = _body(transaction, common, ordered, gathered)
        further |= {"drop_of": body.get("drop_of", of.job), "sidecar_hex": body["sidecar_hex"]}
        transaction.append("claimed", further, job=job)
    structlog.get_logger().info("claimed", job=job, name=common.name, surface=ordered.surface)
    return job


def _body(
    transaction: Transaction, common: _Claimed, row: Ordered | None, gathered: Gathered
) -> dict[str, Any]:
    body: dict[str, Any] = {
        "state": "claimed",
        "name": common.name,
        "drop": to_plain(common.drop),
        "original": common.original,
        "sidecar_hex": gathered.sidecar.hex() if gathered.sidecar is not None else None,
        "sidecar_identity": _without_times(gathered.sidecar_identity),
        **said(transaction, gathered),
    }
    if row is not None:
        body |= {"surface": row.surface, **of_row(row)}
    return body


def of_row(row: Ordered) -> dict[str, object]:
    """What an entry holds of the row that it follows."""
    return {"sheet": row.sheet, "row": row.row}


def _gathered(workshop: Workshop, relative: bytes, row: Ordered | None) -> Gathered:
    folder = os.fsdecode(relative.split(b"/", 1)[0])
    surface = workshop.settings.surface(row.surface if row is not None else folder)
    return gather(
        workshop.folders.hot,
        relative,
        surface.defaults if surface is not None else (),
        ordered=row.layer if row is not None else None,
        surface=row.surface if row is not None else None,
    )


def holder_of(reader: Reader, row: JobRow) -> int:
    """The job that has, or had, the drop that a job was made of."""
    return int(reader.body(row.claimed_seq).get("drop_of", row.job))


def jobs_of_drop(reader: Reader, holder: int) -> tuple[JobRow, ...]:
    """Every job that was made of the drop of one, that one first.

    Its reprints and the further prints of its tests are left out: no request is for them.
    """
    first = reader.job(holder)
    if first is None:
        return ()
    alike = reader.jobs(original=first.original_sha256)
    return (
        first,
        *(
            row
            for row in alike
            if row.job != holder
            and holder_of(reader, row) == holder
            and not {REPRINT_OF, TEST_OF} & set(reader.body(row.claimed_seq))
        ),
    )


def asked_body(reader: Reader, row: JobRow) -> dict[str, Any]:
    """What was asked of a job last, its personal words filled in: the newest word wins whole.

    Of a further print of a test it is what was asked of the first.
    """
    body = reader.body(row.claimed_seq)
    first = reader.job(body[TEST_OF]) if TEST_OF in body else None
    if first is not None:
        return {**asked_body(reader, first), **{key: body[key] for key in (TEST_OF, TEST_PART)}}
    for entry in reader.entries(row.claimed_seq, job=row.job, kind="asked-anew"):
        body = {**body, **reader.filled(entry.body)}
    return body


async def gather_anew(
    workshop: Workshop, row: JobRow, ask: Ask, ordered: Ordered | None = None
) -> Gathered:
    """Collect again what is asked of a job whose drop was let go, and keep what went with it.

    Args:
        workshop: The open studio.
        row: The job.
        ask: Has a hot folder touched.
        ordered: A row of an order sheet that came later; without one, that of the record stands.
    """
    body = asked_body(workshop.ledger.read, row)
    standing = said_in(layers_of(body))
    if ordered is None and standing is not None:
        ordered = Ordered(body["sheet"], body["row"], row.surface, standing)
    path = Drop(**body["drop"]).path_bytes
    gathered = await ask(path, partial(_gathered, workshop, path, ordered))
    return _with_sidecar_of(body, gathered)


def _with_sidecar_of(body: dict[str, Any], gathered: Gathered) -> Gathered:
    """Add what a sidecar said that went to `taken` with its picture: it still counts."""
    if gathered.sidecar is not None or body["sidecar_hex"] is None:
        return gathered
    troubles = (from_plain(Trouble, item) for item in body["troubles"])
    return replace(
        gathered,
        layers=(*gathered.layers, *_of_sidecar(layers_of(body), lambda layer: layer.source)),
        troubles=(*gathered.troubles, *_of_sidecar(troubles, lambda each: each.sentence)),
    )


def _of_sidecar(items: Iterable[T], text: Callable[[T], str]) -> Iterator[T]:
    return (item for item in items if text(item).lower().startswith("sidecar “"))


def _copy(
    workshop: Workshop, sighting: Sighting, spool: Path, *, patient: bool
) -> durable.Copied | None:
    """Copy a drop into the spool; None where it vanished or changed meanwhile."""
    log, name = structlog.get_logger(), shown_name(sighting.relative.rsplit(b"/", 1)[-1])
    try:
        descriptor = open_drop(workshop.folders.hot, sighting.relative)
    except FileNotFoundError:
        log.info("drop-vanished", name=name)
        return None
    except OSError as error:
        log.warning("drop-unreadable", name=name, why=error.strerror)
        return None
    try:
        if durable.identity(os.fstat(descriptor)) != sighting.identity:
            return None
        if patient and drop_files.is_being_written(descriptor):
            raise StillWritten(name)
        return durable.copy_checked(descriptor, spool, sighting.identity)
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


DOUBTFUL = Handed("doubtful")
"""What may have been written to since it was claimed, so that `is_as_claimed` must tell."""


def letting_go(
    workshop: Workshop, row: DropRow, ctime_ns: int | None, *, is_proved: bool
) -> Callable[[], Handed | None] | None:
    """Prepare to move a claimed drop and its sidecar to `taken/`; None where it has no job.

    What is returned touches the hot folder alone, and may be done beside the service's own thread,
    also again after a crash at any point. It gives None while the hot folder is away: what a share
    holds that is not connected, nobody knows.

    Args:
        workshop: The open studio.
        row: The drop.
        ctime_ns: When its file was changed last as it was claimed; None where that is not known.
        is_proved: Whether that does not matter: on a share it says nothing, or the bytes are known.
    """
    job = workshop.ledger.read.job(row.job)
    entry = workshop.ledger.read.entry(job.claimed_seq) if job is not None else None
    if entry is None:
        return None
    drop = Drop(**entry.body["drop"])
    identity = entry.body.get("sidecar_identity")

    def move_away() -> Handed | None:
        handed = _hand_over(workshop, row, drop, None if is_proved else (ctime_ns,))
        if handed is not None and handed.outcome == "taken":
            _sidecar_follows(workshop, row, drop, identity)
        return handed

    return move_away


def record_let_go(workshop: Workshop, job: int, handed: Handed) -> None:
    """Record that a hot folder let a drop go.

    A drop that is not the file that was claimed stays where it is, as a new drop, with an alarm.
    """
    with workshop.ledger.transaction() as transaction:
        transaction.append(
            "let-go",
            {"outcome": handed.outcome, "taken": os.fsencode(handed.taken).hex()},
            job=job,
        )
    if handed.outcome != "taken":
        structlog.get_logger().warning("let-go", job=job, outcome=handed.outcome)


def is_the_drop(row: DropRow, found: os.stat_result) -> bool:
    """Whether a file is the one that was claimed; a share mounted anew has another device."""
    return (found.st_ino, found.st_size, found.st_mtime_ns) == (row.inode, row.size, row.mtime_ns)


def is_as_claimed(workshop: Workshop, row: DropRow) -> bool:
    """Whether a drop still has the bytes that are in the archive; so it is where it is gone.

    Another copied over it may have kept its place, its size and its time.
    """
    try:
        descriptor = open_drop(workshop.folders.hot, bytes.fromhex(row.path_hex))
    except OSError:
        return True
    with os.fdopen(descriptor, "rb") as file:
        return hashlib.file_digest(file, "sha256").hexdigest() == row.sha256


def _hand_over(
    workshop: Workshop, row: DropRow, drop: Drop, ctime: tuple[int | None] | None
) -> Handed | None:
    hot = workshop.folders.hot
    try:
        found = os.lstat(drop_path(workshop, drop))
        if not is_the_drop(row, found):
            return Handed("changed")
        if ctime is not None and ctime != (found.st_ctime_ns,):
            return DOUBTFUL
        return Handed("taken", drop_files.let_go(hot, drop.path_bytes, row.job).name)
    except (FileNotFoundError, NotADirectoryError):
        # After a crash it may have been moved already; else somebody took it away.
        name = drop.path_bytes.rsplit(b"/", 1)[-1]
        target = drop_files.taken_path(hot, drop.surface_folder, row.job, name)
        if os.path.lexists(target):
            return Handed("taken", target.name)
        there = drop_files.is_there(hot / drop.surface_folder, row.device)
        return Handed("vanished") if there else None


def _sidecar_follows(
    workshop: Workshop, row: DropRow, drop: Drop, identity: list[int] | None
) -> None:
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
        # With a studio that was moved whole, the drop and its sidecar got other numbers.
        # A copy may have got a new time as well, as the drop has then.
        alike = 2 if row.mtime_ns != drop.mtime_ns else 3
        was_moved = (drop.inode, drop.mtime_ns) != (row.inode, row.mtime_ns)
        went_along = was_moved and (found or [])[1:alike] == (identity or [])[1:alike]
        if identity is None or found == identity or went_along:
            drop_files.let_go(hot, relative, row.job)
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
