"""What a recall notice says, put together from the record: what the lab needs, and never why."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import Any

from platemark.engine.ticketing import size_in_name
from platemark.engine.workshop import Workshop
from platemark.ledger.read import ERASED, JobRow, Reader, RecallRow
from platemark.ledger.store import stamp
from platemark.model.job import job_number
from platemark.model.lab import Lab
from platemark.model.recall import RECALL_VERSION, RecalledPrint, RecallNotice
from platemark.model.ticket import TicketRecall
from platemark.parcel.file_names import print_file_name

INSTRUCTIONS = (
    "Do not print. Take it out of every queue; if printing has begun, stop in the way that is safe "
    "for that machine.",
    "If it is printed already, in whole or in part: keep it, send it to nobody, and tell us how "
    "many there are.",
    "Tell us that you have read this, and whether anything was printed.",
)
"""To the lab, one sentence each; the first for the person who has the file open."""

DEFAULT_NAME = "{job}_{copies}x_{title}_{size}"


def notice_for(workshop: Workshop, lab_id: str, name: str, jobs: Sequence[int]) -> RecallNotice:
    """Write the notice of some jobs that were called back from one lab.

    A lab that the settings no longer have is told by its id.
    """
    read, studio = workshop.ledger.read, workshop.settings.studio
    lab = workshop.settings.lab(lab_id)
    recalls = [row for job in jobs if (row := read.recall(job)) is not None]
    return RecallNotice(
        version=RECALL_VERSION,
        parcel=name,
        lab=lab_id,
        lab_name=lab.name if lab is not None else lab_id,
        studio=studio.name,
        created=stamp(workshop.clock.now()),
        witness=read.head(),
        prints=tuple(_print_of(read, lab, recall) for recall in recalls),
        whole_parcels=_whole_parcels(read, recalls),
        before=_before(read, lab_id, recalls),
        instructions=INSTRUCTIONS,
        studio_contact=studio.contact,
    )


def _whole_parcels(read: Reader, recalls: Sequence[RecallRow]) -> tuple[str, ...]:
    """Parcels of which every job is called back, now or before."""
    names = dict.fromkeys(recall.parcel for recall in recalls)
    return tuple(
        name
        for name in names
        if all(read.recall(row.job) is not None for row in read.jobs(parcel=name))
    )


def _before(read: Reader, lab_id: str, now: Sequence[RecallRow]) -> tuple[TicketRecall, ...]:
    """What earlier notices called back of the same parcels."""
    jobs, parcels = {row.job for row in now}, {row.parcel for row in now}
    return tuple(
        TicketRecall(row.job, row.parcel, row.notice)
        for row in read.recalls(lab=lab_id)
        if row.job not in jobs and row.parcel in parcels and row.notice is not None
    )


def _print_of(read: Reader, lab: Lab | None, recall: RecallRow) -> RecalledPrint:
    row = read.job(recall.job)
    if row is None:
        raise LookupError(recall.job)
    examined, rendered = read.body(row.examined_seq), read.body(row.rendered_seq)
    request = examined["request"]
    product = lab.product_for(row.surface) if lab is not None else None
    return RecalledPrint(
        job=row.job,
        parcel=recall.parcel,
        product=product.name if product is not None else examined["product"] or row.surface,
        surface=row.surface,
        size=examined["measures"]["size"],
        copies=request["copies"],
        purpose=request["purpose"],
        print_file=file_in_parcel(read, row, recall.parcel)
        or _named_now(lab, row, examined, rendered),
        print_file_sha256=rendered["print_file"]["sha256"],
        title=request["title"],
        order=request["order"],
    )


def file_in_parcel(read: Reader, row: JobRow, parcel: str) -> str:
    """The path of a job's print file from its parcel's root; empty where the record has none.

    An earlier version did not record it, and words may have been erased.
    """
    sealed = _sealed(read, row, parcel)
    path = str(read.filled(sealed.get("files", {})).get(str(row.job), ""))
    return "" if path == ERASED else path


def _sealed(read: Reader, row: JobRow, parcel: str) -> dict[str, Any]:
    """What the newest entry says that sealed a parcel, looked for from the job's rendering on."""
    found: dict[str, Any] = {}
    for kind in ("parcel-sealed", "parcel-read-back"):
        for entry in read.entries(row.rendered_seq or 0, kind=kind):
            if entry.body["parcel"] == parcel:
                found = entry.body
    return found


def _named_now(
    lab: Lab | None, row: JobRow, examined: dict[str, Any], rendered: dict[str, Any]
) -> str:
    """The name as the lab's pattern makes it today."""
    request = examined["request"]
    name = print_file_name(
        lab.file_name if lab is not None else DEFAULT_NAME,
        job=job_number(row.job),
        copies=request["copies"],
        title=request["title"] or Path(row.original_name).stem,
        size=size_in_name(examined["measures"]),
        surface=row.surface,
        order=request["order"] or "",
        extension=rendered["print_file"]["extension"],
        taken=(),
    )
    return f"data/{name}"
