"""Rendered to parcelled: a parcel appears under its name whole, or not at all.

Order: build in `work/`, sync, record that it is sealed and under which hash, give it its name,
record that it is closed. A crash between any two is finished by `resume`. A recall notice goes the
same way; it has no jobs, it tells of some.
"""

from __future__ import annotations

import os
import secrets
from collections.abc import Collection, Iterable, Mapping
from dataclasses import replace
from datetime import timedelta
from functools import partial
from pathlib import Path
from types import MappingProxyType
from typing import Any
from zoneinfo import ZoneInfo

import structlog

from platemark import durable
from platemark.delivery import COLLECT
from platemark.engine.closing import Group, due_groups
from platemark.engine.lifecycle import move
from platemark.engine.paperless import LACKING
from platemark.engine.papers import draw_papers
from platemark.engine.profiles import still_registered
from platemark.engine.recall_notice import notice_for
from platemark.engine.render import drawing_path
from platemark.engine.sets import whole_sets
from platemark.engine.ticketing import edition_in_name, item_of, size_in_name, test_in_name
from platemark.engine.workshop import ROOM_HINT, Workshop
from platemark.ledger.read import JobRow, ParcelRow
from platemark.ledger.store import Transaction, stamp
from platemark.model.errors import DiskFull, PlatemarkError, RecordDamaged
from platemark.model.job import job_number
from platemark.model.lab import Lab
from platemark.model.ticket import TICKET_VERSION, ParcelItem, ParcelTicket, TicketRecall
from platemark.parcel.bag import BuiltParcel, build_parcel
from platemark.parcel.file_names import print_file_name
from platemark.parcel.recall_notice import build_notice

RECALLS_TOLD_DAYS = 30
"""So long a lab's tickets say what was called back from it: long enough for any order to be done
(our own choice)."""


def close_due(
    workshop: Workshop, *, waiting: Collection[int] = (), everything: bool = False
) -> int:
    """Close every parcel whose time has come; gives how many.

    Args:
        workshop: The open studio.
        waiting: Jobs that wait for the rest of their set.
        everything: Close whatever the labs' rules say.
    """
    # A parcel that was sealed when the disk gave out has its jobs already.
    resume(workshop)
    closed = 0
    zone = ZoneInfo(workshop.settings.studio.time_zone)
    rendered = workshop.ledger.read.jobs(state="rendered")
    for lab in workshop.settings.labs:
        ours = [row for row in rendered if row.lab == lab.id and row.job not in waiting]
        groups = due_groups(lab.closing, ours, workshop.clock.now(), zone, everything=everything)
        for group in groups:
            good = [row for row in group.jobs if _still_good(workshop, lab, row)]
            if whole := whole_sets(good, (row for row in group.jobs if row not in good)):
                _close(workshop, lab, tuple(whole), _why_now(workshop, group))
                closed += 1
    return closed


def resume(workshop: Workshop) -> None:
    """Finish what a crash left between sealed and closed."""
    for parcel in workshop.ledger.read.parcels(state="sealed"):
        final = workshop.folders.outgoing / parcel.lab / parcel.name
        staging = workshop.folders.scratch("parcels") / parcel.staging
        if _is_it(final, parcel):
            _record_closed(workshop, parcel)
        elif _is_it(staging, parcel) and not final.exists():
            durable.make_folder(final.parent)
            durable.publish(staging, final)
            _record_closed(workshop, parcel)
        elif final.exists():
            raise RecordDamaged(
                f"The folder {final.name} in outgoing/ is not the parcel that was sealed.",
                "Nothing was sent. Move that folder elsewhere, then start again.",
            )
        else:
            _rebuild(workshop, parcel)


def repack(workshop: Workshop, lab: Lab, old: ParcelRow, rows: tuple[JobRow, ...]) -> None:
    """Put the other jobs of a parcel that was taken back into one with the next number.

    What its ticket says of each is what it was closed with; they stay parcelled all the while.
    """
    _seal_and_publish(workshop, lab, _next_number(workshop, lab.id), rows, old.name)


def close_notice(workshop: Workshop, lab_id: str, jobs: Collection[int]) -> None:
    """Make the parcel that tells a lab which jobs are called back."""
    _close_notice(workshop, lab_id, _next_number(workshop, lab_id), tuple(sorted(jobs)))


def tidy_drawings(workshop: Workshop) -> None:
    """Remove the tickets' pictures of jobs that need none any more; a crash may leave some."""
    for path in workshop.folders.scratch("drawings").glob("[0-9]*.jpg"):
        row = workshop.ledger.read.job(int(path.stem)) if path.stem.isdigit() else None
        if row is not None and row.state in ("delivered", "withdrawn"):
            durable.remove_file(path)


def parcel_folder(workshop: Workshop, parcel: ParcelRow) -> Path:
    """Where a closed parcel is."""
    return workshop.folders.outgoing / parcel.lab / parcel.name


def _still_good(workshop: Workshop, lab: Lab, row: JobRow) -> bool:
    """Compare profile, print file and drawing once more; what is gone is made again."""
    product = lab.product_for(row.surface)
    rendered = workshop.ledger.read.body(row.rendered_seq)
    examined = workshop.ledger.read.body(row.examined_seq)
    why = ""
    if product is None:
        why = "the lab no longer prints on this surface"
    elif examined["plan"]["conversion"] == "lab-profile" and not still_registered(
        workshop, lab, product, examined["plan"]["output_profile_sha256"]
    ):
        why = "the lab's profile was changed or retired"
    elif not workshop.folders.archived(
        rendered["print_file"]["sha256"], rendered["print_file"]["extension"]
    ).exists():
        why = "its print file is gone"
    elif not drawing_path(workshop, row.job).exists():
        why = "its drawing is gone"
    if not why:
        return True
    with workshop.ledger.transaction() as transaction:
        move(transaction, row, "unrendered", "examined", {"why": why})
    structlog.get_logger().info("unrendered", job=row.job, why=why)
    return False


def _close(workshop: Workshop, lab: Lab, rows: tuple[JobRow, ...], why: dict[str, Any]) -> None:
    _seal_and_publish(workshop, lab, _next_number(workshop, lab.id), rows, why=why)


def _why_now(workshop: Workshop, group: Group) -> dict[str, Any]:
    """What the record says of when a parcel is closed; nothing where its rule has no times."""
    if group.rush:
        return {"rush": True}
    if group.closing is None:
        return {}
    return {"closing": workshop.local(group.closing).isoformat(), "late": group.late}


def _next_number(workshop: Workshop, lab_id: str) -> int:
    return 1 + workshop.ledger.read.newest_parcel_number(lab_id)


def _rebuild(workshop: Workshop, parcel: ParcelRow) -> None:
    """Pack a sealed parcel anew whose folder is gone, or give it up where that cannot be."""
    lab = workshop.settings.lab(parcel.lab)
    entry = workshop.ledger.read.entry(parcel.seq)
    if entry is None:
        raise LookupError(parcel.name)
    if recalls := entry.body.get("recalls"):
        _close_notice(workshop, parcel.lab, parcel.number, tuple(recalls))
        return
    old = entry.body.get("replaces")
    rows = [workshop.ledger.read.job(job) for job in entry.body["jobs"]]
    if old is not None:
        again = tuple(row for row in rows if row is not None and row.parcel == old)
        if lab is not None and again:
            _seal_and_publish(workshop, lab, parcel.number, again, old)
            return
    waiting = [row for row in rows if row is not None and row.state == "rendered"]
    # Every one is looked at: what is gone is sent back by that.
    good = [row for row in waiting if lab is not None and _still_good(workshop, lab, row)]
    if lab is not None and good and len(good) == len(waiting):
        why: dict[str, Any] = {
            key: entry.body[key] for key in ("closing", "late", "rush") if key in entry.body
        }
        _seal_and_publish(workshop, lab, parcel.number, tuple(waiting), why=why)
        return
    # Its jobs are made again, or wait for their lab; they come in a parcel of their own then.
    with workshop.ledger.transaction() as transaction:
        transaction.append("parcel-given-up", {"parcel": parcel.name, "lab": parcel.lab})
    structlog.get_logger().warning("parcel-given-up", parcel=parcel.name)


def _make_damaged_anew(workshop: Workshop, rows: Iterable[JobRow]) -> bool:
    """Send back the jobs whose print file in the archive is not what was made; whether any is."""
    found = False
    for row in rows:
        printed = workshop.ledger.read.body(row.rendered_seq)["print_file"]
        path = workshop.folders.archived(printed["sha256"], printed["extension"])
        if path.is_file() and durable.hash_file(path) == printed["sha256"]:
            continue
        found = True
        why = "its print file in the archive was damaged"
        with workshop.ledger.transaction() as transaction:
            move(transaction, row, "unrendered", "examined", {"why": why})
        structlog.get_logger().error("archive-damaged", job=row.job, file=path.name)
    return found


def _seal_and_publish(
    workshop: Workshop,
    lab: Lab,
    number: int,
    rows: tuple[JobRow, ...],
    replaces: str | None = None,
    why: Mapping[str, Any] = MappingProxyType({}),
) -> None:
    name = f"{lab.id}-{job_number(number)}"
    staging = _new_staging(workshop, name)
    items = _items(workshop, lab, _sets_together(rows))
    wanted = sum(item.ticket.print_file.bytes for item in items)
    if short := workshop.lacks_room(wanted, f"pack parcel {name}"):
        raise DiskFull(short, ROOM_HINT)
    ticket = ParcelTicket(
        version=TICKET_VERSION,
        parcel=name,
        lab=lab.id,
        lab_name=lab.name,
        studio=workshop.settings.studio.name,
        created=stamp(workshop.clock.now()),
        witness=workshop.ledger.read.head(),
        tickets=tuple(item.ticket for item in items),
        studio_contact=workshop.settings.studio.contact,
        studio_ship_to=workshop.settings.studio.ship_to,
        replaces=replaces,
        recalled=_recalled_lately(workshop, lab),
    )
    try:
        built = build_parcel(staging, ticket, items, partial(draw_papers, workshop, name))
    except PlatemarkError:
        durable.remove_tree(staging)
        # What is parcelled already is not made again.
        if replaces is None and _make_damaged_anew(workshop, rows):
            return
        raise
    said: dict[str, Any] = {"jobs": [row.job for row in rows], **why}
    if built.lacking:
        said[LACKING] = list(built.lacking)
    if replaces is not None:
        said["replaces"] = replaces
    files = {item.ticket.job: item.ticket.print_file.path for item in items}
    _publish(workshop, lab.id, number, staging, built, said, files)


def _close_notice(workshop: Workshop, lab_id: str, number: int, jobs: tuple[int, ...]) -> None:
    name = f"{lab_id}-{job_number(number)}"
    staging = _new_staging(workshop, name)
    try:
        built = build_notice(staging, notice_for(workshop, lab_id, name, jobs))
    except PlatemarkError:
        durable.remove_tree(staging)
        raise
    _publish(workshop, lab_id, number, staging, built, {"jobs": [], "recalls": list(jobs)}, {})


def _new_staging(workshop: Workshop, name: str) -> Path:
    return workshop.folders.scratch("parcels") / f"{name}.{secrets.token_hex(4)}"


def _publish(
    workshop: Workshop,
    lab_id: str,
    number: int,
    staging: Path,
    built: BuiltParcel,
    said: dict[str, Any],
    files: dict[int, str],
) -> None:
    """Record that a finished parcel is sealed, give it its name, and record that it is closed."""
    name = f"{lab_id}-{job_number(number)}"
    with workshop.ledger.transaction() as transaction:
        transaction.append(
            "parcel-sealed",
            {
                "parcel": name,
                "lab": lab_id,
                "number": number,
                "tagmanifest_sha256": built.tagmanifest_sha256,
                "staging": staging.name,
                # A lab's pattern may put the order's name into them.
                "files": {str(job): transaction.word(path) for job, path in files.items()},
                **said,
            },
        )
    final = workshop.folders.outgoing / lab_id / name
    durable.make_folder(final.parent)
    try:
        durable.publish(staging, final)
    except durable.AlreadyThere as error:
        raise RecordDamaged(
            f"There is already something called {name} in outgoing/{lab_id}/.",
            "Nothing was overwritten. Move it elsewhere, then start again.",
        ) from error
    parcel = workshop.ledger.read.parcel(name)
    if parcel is None:
        raise LookupError(name)
    _record_closed(workshop, parcel)


def _recalled_lately(workshop: Workshop, lab: Lab) -> tuple[TicketRecall, ...]:
    """What was called back from a lab of late, by a notice that is on its way or there."""
    read = workshop.ledger.read
    since = stamp(workshop.clock.now() - timedelta(days=RECALLS_TOLD_DAYS))
    found = []
    for row in read.recalls(lab=lab.id):
        entry = read.entry(row.seq) if row.notice is not None else None
        if entry is not None and row.notice is not None and entry.at >= since:
            found.append(TicketRecall(row.job, row.parcel, row.notice))
    return tuple(found)


def _sets_together(rows: tuple[JobRow, ...]) -> tuple[JobRow, ...]:
    """By number, but the pictures of a set one after the other, where the first of them stands."""
    first: dict[tuple[str | None, str], int] = {}
    for row in sorted(rows, key=lambda row: row.job):
        if row.set is not None:
            first.setdefault((row.order, row.set), row.job)
    return tuple(
        sorted(rows, key=lambda row: (first.get((row.order, row.set or ""), row.job), row.job))
    )


def _items(workshop: Workshop, lab: Lab, rows: tuple[JobRow, ...]) -> tuple[ParcelItem, ...]:
    taken: set[str] = set()
    items = []
    for row in rows:
        product = lab.product_for(row.surface)
        if product is None:
            raise LookupError(row.surface)
        name = _file_name(workshop, lab, row, taken)
        taken.add(name)
        item = item_of(workshop, row, f"data/{name}", product)
        # The page of a parcel that is packed again does without a picture that is gone.
        items.append(item if os.path.lexists(item.drawing) else replace(item, drawing=""))
    return tuple(items)


def _file_name(workshop: Workshop, lab: Lab, row: JobRow, taken: set[str]) -> str:
    read = workshop.ledger.read
    examined, rendered = read.body(row.examined_seq), read.body(row.rendered_seq)
    before, after = test_in_name(examined, lab.file_name)
    return print_file_name(
        lab.file_name,
        job=job_number(row.job),
        copies=examined["request"]["copies"],
        title=before + (examined["request"]["title"] or Path(row.original_name).stem),
        size=size_in_name(examined["measures"]) + after,
        surface=row.surface,
        order=examined["request"]["order"] or "",
        extension=rendered["print_file"]["extension"],
        taken=taken,
        edition=edition_in_name(examined),
    )


def _record_closed(workshop: Workshop, parcel: ParcelRow) -> None:
    entry = workshop.ledger.read.entry(parcel.seq)
    if entry is None:
        raise LookupError(parcel.name)
    lab = workshop.settings.lab(parcel.lab)
    method = lab.delivery.method if lab is not None else COLLECT
    with workshop.ledger.transaction() as transaction:
        transaction.append(
            "parcel-closed",
            {
                "parcel": parcel.name,
                "lab": parcel.lab,
                "jobs": entry.body["jobs"],
                "tagmanifest_sha256": parcel.tagmanifest,
                # What was to be fetched from here may have been, whatever the settings say later.
                "method": method,
                **{
                    key: entry.body[key]
                    for key in ("replaces", "recalls", LACKING)
                    if key in entry.body
                },
            },
        )
        for job in entry.body["jobs"]:
            _parcelled(workshop, transaction, job, parcel.name, entry.body.get("replaces"))
    # Where a parcel can still be taken back, its other jobs may have to be packed once more.
    if method == COLLECT:
        for job in entry.body["jobs"]:
            durable.remove_file(drawing_path(workshop, job))
    structlog.get_logger().info(
        "parcel-closed", parcel=parcel.name, lab=parcel.lab, jobs=len(entry.body["jobs"])
    )


def _parcelled(
    workshop: Workshop, transaction: Transaction, job: int, parcel: str, replaces: str | None
) -> None:
    row = workshop.ledger.read.job(job)
    if row is None:
        return
    body = {"summary": {"parcel": parcel}}
    if replaces is None:
        move(transaction, row, "parcelled", "parcelled", body)
    elif row.parcel == replaces:
        transaction.append("reparcelled", {**body, "replaces": replaces}, job=job)


def _is_it(folder: Path, parcel: ParcelRow) -> bool:
    manifest = folder / "tagmanifest-sha256.txt"
    return manifest.is_file() and durable.hash_file(manifest) == parcel.tagmanifest
