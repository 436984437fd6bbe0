"""`changes.txt`: every change of every job as plain text, for a person in two years."""

from __future__ import annotations

import textwrap

from platemark.model.finding import Change
from platemark.model.job import job_number, plain_text
from platemark.model.ticket import ParcelTicket, Ticket
from platemark.parcel.forms import Pictures, TicketForm
from platemark.parcel.ticket_words import (
    copies_words,
    edge_words,
    megabytes,
    mirror_words,
    parcel_notes,
    shown_ppi,
    shown_size,
    shown_time,
    whole_words,
)

WIDTH = 78
"""Columns."""


def changes_text(parcel: ParcelTicket) -> str:
    """Write the change log of all jobs of a parcel, in lines of at most 78 columns.

    A name or a hash that is longer than a line stays whole.
    """
    lines = [
        *_wrapped(f"Changes made to the pictures of parcel {parcel.parcel}"),
        "=" * WIDTH,
        "",
        *_labelled("Prepared by", parcel.studio),
        *_labelled("For the lab", f"{parcel.lab_name} ({parcel.lab})"),
        *_labelled("Written", shown_time(parcel.created)),
        *_labelled("Record", f"entry {parcel.witness.seq}, {parcel.witness.hash}"),
        "",
        *(line for note in parcel_notes(parcel) for line in [*_wrapped(note), ""]),
        *_wrapped(
            "What is not listed here was not changed: the pixels of a finished picture are left "
            "alone except where the request, the surface or the lab asks. The originals are kept "
            "unchanged in the studio's archive under the SHA-256 given below."
        ),
    ]
    for ticket in parcel.tickets:
        lines += ["", "", *_job(ticket)]
    return "\n".join(lines) + "\n"


def _job(ticket: Ticket) -> list[str]:
    original, made, request = ticket.original, ticket.print_file, ticket.request
    heading = f"Job {job_number(ticket.job)}"
    if request.title:
        heading += f": {request.title}"
    test = ", test print" if request.purpose == "test" else ""
    of = f" ({request.set_of} pictures)" if request.set_of else ""
    belongs = f", of the set {request.set}{of}" if request.set else ""
    lines = [
        *_wrapped(heading),
        "-" * WIDTH,
        *_labelled(
            "Asked for",
            f"{copies_words(request.copies)} on {request.product}, "
            f"{shown_size(request.size, ticket.geometry)}"
            f"{f', {edge}' if (edge := edge_words(ticket)) else ''}{test}"
            f"{f', {way}' if (way := mirror_words(ticket)) else ''}{belongs}",
        ),
        *_labelled(
            "Original",
            f"{original.name}, {original.width_px} x {original.height_px} px, "
            f"{original.bits} bit, {megabytes(original.bytes)}",
        ),
        *_labelled("SHA-256", original.sha256),
        *_labelled(
            "Print file",
            f"{made.path}, {made.width_px} x {made.height_px} px, "
            f"{shown_ppi(made.ppi)} ppi, prints at {whole_words(ticket)}, {made.bits} bit, "
            f"{megabytes(made.bytes)}",
        ),
        *_labelled("SHA-256", made.sha256),
        "",
    ]
    if not ticket.changes:
        lines.append("Nothing was changed.")
    for number, change in enumerate(ticket.changes, 1):
        lines += _change(number, change)
    return lines


def _change(number: int, change: Change) -> list[str]:
    indent = " " * 5
    lines = _wrapped(f"{change.text} [{change.code}]", f"{number:3d}. ", indent)
    lines += _wrapped(change.before or "-", f"{indent}before  ", indent + " " * 8)
    lines += _wrapped(change.after or "-", f"{indent}after   ", indent + " " * 8)
    return lines


def _labelled(label: str, value: str) -> list[str]:
    return _wrapped(value, f"{label:<13}", " " * 13)


def _wrapped(text: str, first: str = "", rest: str = "") -> list[str]:
    return textwrap.wrap(
        " ".join(plain_text(text).split()),
        WIDTH,
        initial_indent=first,
        subsequent_indent=rest,
        break_long_words=False,
        break_on_hyphens=False,
    )


def _made(parcel: ParcelTicket, pictures: Pictures) -> bytes:
    del pictures
    return changes_text(parcel).encode("utf-8", "replace")


FORM = TicketForm("changes.txt", _made)
