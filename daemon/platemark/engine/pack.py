"""Rendered to parcelled: a parcel appears under its name whole, or not at all.

Order: build in `work/`, sync, record that it is sealed and under which hash, give it its name,
record that it is closed. A crash between any two is finished by `resume`.
"""

from __future__ import annotations

import secrets
from collections.abc import Collection, Iterable
from pathlib import Path
from zoneinfo import ZoneInfo

import structlog

from platemark import durable
from platemark.engine.closing import due_groups
from platemark.engine.lifecycle import move
from platemark.engine.profiles import still_registered
from platemark.engine.render import drawing_path
from platemark.engine.sets import whole_sets
from platemark.engine.ticketing import item_of, size_in_name
from platemark.engine.workshop import ROOM_HINT, Workshop
from platemark.ledger.read import JobRow, ParcelRow
from platemark.ledger.store import stamp
from platemark.model.errors import DiskFull, PlatemarkError, RecordDamaged
from platemark.model.job import job_number
from platemark.model.lab import Lab
from platemark.model.ticket import TICKET_VERSION, ParcelItem, ParcelTicket
from platemark.parcel.bag import build_parcel
from platemark.parcel.file_names import print_file_name


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
                _close(workshop, lab, tuple(whole))
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


def _close(workshop: Workshop, lab: Lab, rows: tuple[JobRow, ...]) -> None:
    number = 1 + workshop.ledger.read.newest_parcel_number(lab.id)
    _seal_and_publish(workshop, lab, number, rows)


def _rebuild(workshop: Workshop, parcel: ParcelRow) -> None:
    """Pack a sealed parcel anew whose folder is gone, or give it up where that cannot be."""
    lab = workshop.settings.lab(parcel.lab)
    entry = workshop.ledger.read.entry(parcel.seq)
    if entry is None:
        raise LookupError(parcel.name)
    rows = [workshop.ledger.read.job(job) for job in entry.body["jobs"]]
    waiting = [row for row in rows if row is not None and row.state == "rendered"]
    # Every one is looked at: what is gone is sent back by that.
    good = [row for row in waiting if lab is not None and _still_good(workshop, lab, row)]
    if lab is not None and good and len(good) == len(waiting):
        _seal_and_publish(workshop, lab, parcel.number, tuple(waiting))
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


def _seal_and_publish(workshop: Workshop, lab: Lab, number: int, rows: tuple[JobRow, ...]) -> None:
    name = f"{lab.id}-{job_number(number)}"
    staging = workshop.folders.scratch("parcels") / f"{name}.{secrets.token_hex(4)}"
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
    )
    try:
        built = build_parcel(staging, ticket, items)
    except PlatemarkError:
        durable.remove_tree(staging)
        if _make_damaged_anew(workshop, rows):
            return
        raise
    with workshop.ledger.transaction() as transaction:
        transaction.append(
            "parcel-sealed",
            {
                "parcel": name,
                "lab": lab.id,
                "number": number,
                "jobs": [row.job for row in rows],
                "tagmanifest_sha256": built.tagmanifest_sha256,
                "staging": staging.name,
            },
        )
    final = workshop.folders.outgoing / lab.id / name
    durable.make_folder(final.parent)
    try:
        durable.publish(staging, final)
    except durable.AlreadyThere as error:
        raise RecordDamaged(
            f"There is already something called {name} in outgoing/{lab.id}/.",
            "Nothing was overwritten. Move it elsewhere, then start again.",
        ) from error
    parcel = workshop.ledger.read.parcel(name)
    if parcel is None:
        raise LookupError(name)
    _record_closed(workshop, parcel)


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
        items.append(item_of(workshop, row, f"data/{name}", product))
    return tuple(items)


def _file_name(workshop: Workshop, lab: Lab, row: JobRow, taken: set[str]) -> str:
    read = workshop.ledger.read
    examined, rendered = read.body(row.examined_seq), read.body(row.rendered_seq)
    return print_file_name(
        lab.file_name,
        job=job_number(row.job),
        copies=examined["request"]["copies"],
        title=examined["request"]["title"] or Path(row.original_name).stem,
        size=size_in_name(examined["measures"]),
        surface=row.surface,
        order=examined["request"]["order"] or "",
        extension=rendered["print_file"]["extension"],
        taken=taken,
    )


def _record_closed(workshop: Workshop, parcel: ParcelRow) -> None:
    entry = workshop.ledger.read.entry(parcel.seq)
    if entry is None:
        raise LookupError(parcel.name)
    with workshop.ledger.transaction() as transaction:
        transaction.append(
            "parcel-closed",
            {
                "parcel": parcel.name,
                "lab": parcel.lab,
                "jobs": entry.body["jobs"],
                "tagmanifest_sha256": parcel.tagmanifest,
            },
        )
        for job in entry.body["jobs"]:
            row = workshop.ledger.read.job(job)
            if row is not None:
                move(
                    transaction,
                    row,
                    "parcelled",
                    "parcelled",
                    {"summary": {"parcel": parcel.name}},
                )
    for job in entry.body["jobs"]:
        durable.remove_file(drawing_path(workshop, job))
    structlog.get_logger().info(
        "parcel-closed", parcel=parcel.name, lab=parcel.lab, jobs=len(entry.body["jobs"])
    )


def _is_it(folder: Path, parcel: ParcelRow) -> bool:
    manifest = folder / "tagmanifest-sha256.txt"
    return manifest.is_file() and durable.hash_file(manifest) == parcel.tagmanifest
