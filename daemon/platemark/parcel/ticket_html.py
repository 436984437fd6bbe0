"""`ticket.html`: the parcel's tickets for the person at the lab, in one file of its own."""

from __future__ import annotations

import base64
from types import MappingProxyType

from markupsafe import Markup

from platemark.model.ticket import ParcelTicket
from platemark.parcel.forms import Drawings, Pictures, TicketForm
from platemark.parcel.pages import pages
from platemark.parcel.ticket_parts import parts_of, shared_of
from platemark.parcel.ticket_words import (
    NO_PICTURE,
    TEST,
    TEST_MORE,
    parcel_notes,
    preview_words,
    shown_time,
    total_words,
)


def render_ticket_html(
    parcel: ParcelTicket, drawings: Drawings, previews: Drawings = MappingProxyType({})
) -> str:
    """Write the page that a parcel carries for the lab's people.

    Args:
        parcel: All that the parcel says.
        drawings: For each job a JPEG of the whole print file with its lines, their words and its
            top marked on it. A job without one says so.
        previews: For each job a JPEG of how it will look on its surface.

    Returns:
        One HTML file with its style and pictures inside it: no script, nothing from elsewhere.
    """
    parts = parts_of(parcel)
    return (
        pages()
        .get_template("ticket.html.j2")
        .render(
            parcel=parcel,
            written=shown_time(parcel.created),
            parts=parts,
            notes=parcel_notes(parcel),
            shared=shared_of(parcel, parts),
            total=total_words(parcel),
            drawings={part.ticket.job: _picture(drawings.get(part.ticket.job)) for part in parts},
            previews={part.ticket.job: _picture(previews.get(part.ticket.job)) for part in parts},
            no_picture=NO_PICTURE,
            test=TEST,
            test_more=TEST_MORE,
            preview_words=preview_words,
        )
    )


def _picture(data: bytes | None) -> Markup:
    if not data:
        return Markup("")
    # Base 64 has no sign that HTML could take for its own.
    return Markup("data:image/jpeg;base64," + base64.b64encode(data).decode("ascii"))  # noqa: S704


def _made(parcel: ParcelTicket, pictures: Pictures) -> bytes:
    return render_ticket_html(parcel, pictures.drawings, pictures.previews).encode(
        "utf-8", "replace"
    )


FORM = TicketForm("ticket.html", _made)
