"""Saves a damaged record into a new file, and puts such a file in the record's place."""

from __future__ import annotations

import contextlib
import os
import secrets
import sqlite3
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path

import structlog

from platemark import durable
from platemark.delivery import COLLECT
from platemark.engine.clock import Clock
from platemark.engine.doubtful import DOUBTFUL
from platemark.engine.rescue_back import ReadBack, read_back
from platemark.engine.rescue_bodies import SENT, body_of_row
from platemark.engine.workshop import Folders, Workshop
from platemark.imaging.child import Children
from platemark.ledger.journal import journal_of
from platemark.ledger.opening import WITNESSES, holds_anything
from platemark.ledger.proof import find_faults
from platemark.ledger.read import Reader, connect_reader
from platemark.ledger.rescuing import (
    Remains,
    copy_what_holds,
    looking_at,
    nothing_left,
    take_stock,
)
from platemark.ledger.store import Ledger, Transaction, stamp
from platemark.model.errors import PlatemarkError, RecordDamaged, UsageError
from platemark.model.studio import Settings

RESCUED = "ledger.rescued.sqlite3"
_FIT_PARCELS = (DOUBTFUL, "delivered", "given-up", "taken-back")


@dataclass(frozen=True, slots=True)
class Unopened:
    """A studio whose lock is held and whose record is not opened."""

    folders: Folders
    settings: Settings
    clock: Clock

    def open(self, ledger: Ledger) -> Workshop:
        """The same with a record."""
        return Workshop(self.folders, self.settings, ledger, self.clock, Children())


@dataclass(frozen=True, slots=True)
class Rescued:
    """What was saved."""

    file: Path
    remains: Remains
    sha256: str
    """Of the damaged file."""


def rescue(studio: Unopened, target: Path) -> Rescued:
    """Save what holds of the studio's record into a new file; the record itself is only read.

    Args:
        studio: Its lock held.
        target: Must not exist yet.

    Raises:
        UsageError: the target exists, or the record needs no rescue.
        RecordDamaged: not one entry can be read.
        DiskFault: the disk refuses.
    """
    path = studio.folders.ledger
    if os.path.lexists(target):
        raise UsageError(f"{target} is there already.", "Nothing was changed. Name another file.")
    if not path.is_file() or not path.stat().st_size:
        raise RecordDamaged(
            f"There is nothing to rescue: {path} is empty or not there.",
            "Nothing was changed, and no picture is lost. `platemark ledger read-back` makes a new "
            "record from the studio's files.",
        )
    with scratch_folder(studio) as scratch, looking_at(path, scratch) as damaged:
        remains = take_stock(damaged)
        if not remains.upto:
            raise nothing_left(path, remains.why or "it has none")
        if not remains.why and not journal_of(path).exists() and _is_whole(path):
            raise UsageError(
                f"{path.name} holds to its last entry: it needs no rescue.", "Nothing was changed."
            )
        new = scratch / "new.sqlite3"
        sha256 = durable.hash_file(path)
        ledger = copy_what_holds(damaged, remains, new, studio.clock.now)
        try:
            _record(studio.open(ledger), remains, sha256)
        finally:
            ledger.close()
        durable.sync_file(new)
        _publish(new, target)
    structlog.get_logger().warning("rescued", upto=remains.upto, file=target.name)
    return Rescued(target, remains, sha256)


def put_in_place(studio: Unopened, file: Path) -> Path | None:
    """Make a file the studio's record; the one before is kept under another name.

    May be done again after a crash at any point.

    Args:
        studio: Its lock held.
        file: A whole record. It stays where it is.

    Returns:
        Where the record before is kept; None where there was none.

    Raises:
        UsageError: the file is no record that a studio could go on from.
        DiskFault: the disk refuses.
    """
    path = studio.folders.ledger
    if not file.is_file() or file.resolve() == path.resolve():
        raise UsageError(f"{file} is not another record.", "Nothing was changed.")
    if wrong := _wrong_with(file):
        raise UsageError(f"{file} cannot take the record's place: {wrong}", "Nothing was changed.")
    incoming = path.with_name(f".{path.name}.incoming")
    durable.remove_file(incoming)
    if durable.copy_out(file, incoming, 0o600) != durable.hash_file(file):
        raise RecordDamaged(
            f"The copy of {file} is not the same as the file.",
            "Nothing was changed. Check the disk.",
        )
    aside = None
    if os.path.lexists(path):
        name = f"ledger.set-aside-{studio.clock.now():%Y%m%dT%H%M%S}"
        aside = path.with_name(f"{name}.sqlite3")
        if journal_of(path).exists():
            # Before the record: a journal must never lie beside another's.
            durable.publish(journal_of(path), journal_of(aside))
        durable.publish(path, aside)
    durable.publish(incoming, path)
    structlog.get_logger().warning("record-replaced", by=file.name)
    return aside


@contextmanager
def scratch_folder(studio: Unopened) -> Iterator[Path]:
    """A folder of our own in `work/`, where nothing witnesses a record; those of before go."""
    for left in studio.folders.work.glob("rescue-*"):
        durable.remove_tree(left)
    folder = studio.folders.scratch(f"rescue-{secrets.token_hex(4)}")
    durable.make_folder(folder)
    try:
        yield folder
    finally:
        durable.remove_tree(folder)


def _publish(new: Path, target: Path) -> None:
    """Give a record that was made in `work/` its name, on whatever disk that is."""
    if new.stat().st_dev == target.parent.stat().st_dev:
        durable.publish(new, target)
        return
    durable.copy_out(new, target, 0o600)
    durable.sync_folder(target.parent)


def begin_anew(studio: Unopened, by: str, because: str) -> ReadBack:
    """Make a new record from the files of a studio that has none any more.

    It gets its name when all of it is there.

    Args:
        studio: Its lock held.
        by: Who says so.
        because: Why.

    Raises:
        UsageError: there is nothing to read back.
        DecisionRefused: nobody of the studio says so, or without a reason.
        DiskFault: the disk refuses.
    """
    path = studio.folders.ledger
    if not any(holds_anything(path.parent / name) for name in WITNESSES):
        raise UsageError(
            "There is nothing to read back: archive/, held/ and outgoing/ are empty.",
            "Start `platemark run` or `platemark sweep`; the record begins with it.",
        )
    if os.path.lexists(path) and path.stat().st_size:
        raise UsageError(f"{path} is there.", "Nothing was changed.")
    with scratch_folder(studio) as scratch:
        new = scratch / "new.sqlite3"
        ledger = Ledger(new, studio.clock.now)
        try:
            done = read_back(studio.open(ledger), by, because)
        finally:
            ledger.close()
        durable.sync_file(new)
        if journal_of(path).exists():
            # Of the record that is gone: it must never lie beside another.
            durable.publish(
                journal_of(path), path.with_name(f"{path.name}.lost-journal-{secrets.token_hex(4)}")
            )
        if os.path.lexists(path):
            # An empty file is kept too, whatever it was.
            durable.publish(path, path.with_name(f"{path.name}.empty-{secrets.token_hex(4)}"))
        durable.publish(new, path)
    return done


def _is_whole(path: Path) -> bool:
    return not _wrong_with(path)


def _wrong_with(file: Path) -> str:
    """Say first what is wrong with a file as a record; empty where it holds."""
    try:
        with contextlib.closing(connect_reader(file)) as connection:
            faults = find_faults(Reader(connection))
    except PlatemarkError as error:
        return str(error)
    except sqlite3.DatabaseError as error:
        return f"{error}."
    return faults[0].sentence if faults else ""


def _record(workshop: Workshop, remains: Remains, sha256: str) -> None:
    """Say in the new record what it is, and what the damaged tables tell of the time after."""
    read = workshop.ledger.read
    last = read.entry(remains.upto)
    path = workshop.folders.ledger
    with workshop.ledger.transaction() as transaction:
        transaction.append(
            "rescued",
            {
                "file": path.name,
                "sha256": sha256,
                "bytes": str(path.stat().st_size),
                "upto": remains.upto,
                "made": last.at if last is not None else stamp(workshop.clock.now()),
                "because": remains.why,
                "readable_after": remains.readable_after,
                "unreadable": remains.unreadable,
                "words": remains.words,
                "words_lost": remains.words_lost,
                "last_job": remains.newest_job,
                "last_parcels": remains.newest_parcels,
            },
        )
        for row in remains.jobs:
            known = read.job(row["job"])
            body = body_of_row(workshop.folders.archive, row)
            if body is None or (known is not None and not _says_more(known.state, body)):
                continue
            if known is None or known.original_sha256 == body["original"]["sha256"]:
                transaction.append("job-read-back", body, job=row["job"])
        for row in remains.parcels:
            _record_parcel(workshop, transaction, row)


def _says_more(state: str, body: dict[str, object]) -> bool:
    """Whether a table knows that a job was sent or withdrawn, of which the record does not."""
    return body["state"] != "claimed" and body["state"] != state


def _record_parcel(workshop: Workshop, transaction: Transaction, row: dict[str, object]) -> None:
    name, lab, number, tags = row["name"], row["lab"], row["number"], row["tagmanifest"]
    texts = all(isinstance(text, str) for text in (name, lab, tags))
    if not texts or not isinstance(number, int) or row["state"] == "sealed":
        return
    fetched = {each.id for each in workshop.settings.labs if each.delivery.method == COLLECT}
    becomes = row["state"] if row["state"] in _FIT_PARCELS else DOUBTFUL
    if becomes == DOUBTFUL and lab in fetched:
        becomes = "closed"
    jobs = [job.job for job in workshop.ledger.read.jobs(parcel=str(name)) if job.state in SENT]
    transaction.append(
        "parcel-read-back",
        {
            "parcel": name,
            "lab": lab,
            "number": number,
            "becomes": becomes,
            "jobs": jobs,
            "tagmanifest_sha256": tags,
            "wrong": "",
            "witness": None,
        },
    )
