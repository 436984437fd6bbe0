"""What a lab is told of earlier prints that a print is to be like: jobs, parcels and days alone."""

from __future__ import annotations

from datetime import datetime
from typing import Literal

from platemark.engine.workshop import Workshop
from platemark.ledger.approvals import APPROVED_BY, Approvals
from platemark.ledger.read import JobRow
from platemark.ledger.threads import REMAKE_OF, REPRINT_OF, Threads
from platemark.model.ticket import TicketEarlier

Kind = Literal["approved-test", "reprint", "remake"]
_KINDS: dict[str, Kind] = {
    APPROVED_BY: "approved-test",
    REMAKE_OF: "remake",
    REPRINT_OF: "reprint",
}


def earlier_prints(workshop: Workshop, row: JobRow) -> tuple[TicketEarlier, ...]:
    """The earlier prints that a lab knows and that a job is to be like.

    What another lab made is left out: one lab's parcels are no business of another.

    Args:
        workshop: The open studio.
        row: A rendered job.
    """
    read = workshop.ledger.read
    found = []
    for link in Threads(read).links(row.job):
        other = read.job(link.other)
        if link.job != row.job or link.kind not in _KINDS or other is None:
            continue
        if other.lab != row.lab:
            continue
        kind = _KINDS[link.kind]
        on = _approved_at(workshop, other) if kind == "approved-test" else _sent_at(workshop, other)
        found.append(
            TicketEarlier(
                kind=kind,
                job=other.job,
                parcel=other.parcel,
                on=workshop.local(datetime.fromisoformat(on)).date().isoformat(),
                same_file=kind != "approved-test" and other.print_sha256 == row.print_sha256,
            )
        )
    return tuple(sorted(found, key=lambda each: (each.kind, each.job)))


def _approved_at(workshop: Workshop, test: JobRow) -> str:
    read = workshop.ledger.read
    word = Approvals(read).of_test(test.job)
    entry = read.entry(word.seq) if word is not None else None
    return entry.at if entry is not None else test.moved_at


def _sent_at(workshop: Workshop, row: JobRow) -> str:
    """When a job was put into the parcel that it came in."""
    put = [entry.at for entry in workshop.ledger.read.entries(job=row.job, kind="parcelled")]
    return put[-1] if put else row.moved_at
