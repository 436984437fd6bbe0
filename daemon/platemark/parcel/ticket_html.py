"""`ticket.html`: the parcel's tickets for the person at the lab, in one file of its own."""

from __future__ import annotations

import base64
import functools
from dataclasses import dataclass, replace

import jinja2
from markupsafe import Markup

from platemark.model.job import job_number
from platemark.model.ticket import ParcelTicket, Ticket, TicketGeometry
from platemark.parcel.forms import Drawings, TicketForm
from platemark.parcel.ticket_words import (
    INTENTS,
    ColourWords,
    SetPlace,
    check_words,
    colour_words,
    copies_words,
    megabytes,
    plain_text,
    set_places,
    shown_date,
    shown_lengths,
    shown_ppi,
    shown_size,
    shown_time,
    weight_words,
)


@dataclass(frozen=True, slots=True)
class LineSample:
    """How one line of the picture looks, and what it means."""

    word: str
    """As the picture itself has it, where it is small."""
    colour: str
    dashes: str
    """Lengths on and off, as SVG has them; empty for a solid line."""
    meaning: str = ""


# The pictures are drawn by code that this package does not import; a test compares the two.
LINES: dict[str, LineSample] = {
    "trim": LineSample("trim", "#ffffff", ""),
    "sheet": LineSample("sheet", "#ffffff", ""),
    "fold": LineSample("fold", "#f0e442", "14 8"),
    "safe": LineSample("keep inside", "#56b4e9", "3 6"),
}


@dataclass(frozen=True, slots=True)
class _Part:
    """One job as the page shows it, every sentence ready."""

    ticket: Ticket
    number: str
    copies: str
    size: str
    sheet: str
    border: str
    bar: str
    colour: ColourWords
    orders: tuple[str, ...]
    place: SetPlace | None
    wishes: tuple[tuple[str, str], ...]
    weight: str
    picture: Markup
    legend: tuple[LineSample, ...]
    file_facts: tuple[tuple[str, str], ...]
    colour_facts: tuple[tuple[str, str], ...]
    check: str


def render_ticket_html(parcel: ParcelTicket, drawings: Drawings) -> str:
    """Write the page that a parcel carries for the lab's people.

    Args:
        parcel: All that the parcel says.
        drawings: For each job a JPEG of the whole print file with its lines, their words and its
            top marked on it. A job without one says so.

    Returns:
        One HTML file with its style and pictures inside it: no script, nothing from elsewhere.
    """
    places = set_places(parcel.tickets)
    parts = [_part(ticket, places.get(ticket.job), drawings) for ticket in parcel.tickets]
    return (
        _pages()
        .get_template("ticket.html.j2")
        .render(
            parcel=parcel,
            written=shown_time(parcel.created),
            parts=parts,
            prints=sum(ticket.request.copies for ticket in parcel.tickets),
        )
    )


@functools.cache
def _pages() -> jinja2.Environment:
    return jinja2.Environment(
        loader=jinja2.PackageLoader("platemark.parcel", "templates"),
        autoescape=True,
        undefined=jinja2.StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
        finalize=_seen,
    )


def _seen(value: object) -> object:
    """Make hidden and turning signs of any text visible; it is escaped after that."""
    return plain_text(value) if type(value) is str else value


def _part(ticket: Ticket, place: SetPlace | None, drawings: Drawings) -> _Part:
    request, geometry = ticket.request, ticket.geometry
    colour = colour_words(ticket.colour)
    size, sheet = shown_size(request.size, geometry), shown_size(request.sheet, geometry)
    bordered = sheet != size
    return _Part(
        ticket=ticket,
        number=job_number(ticket.job),
        copies=copies_words(request.copies),
        size=size,
        sheet=sheet if bordered else "",
        border=shown_lengths(request.border) if bordered else "",
        bar=shown_lengths(request.wrap) if geometry.wrap_px else "",
        colour=colour,
        # Said in large type already.
        orders=tuple(text for text in ticket.instructions if text != colour.sentence),
        place=place,
        wishes=_filled(
            ("Wanted by", shown_date(request.due or "")),
            ("Order", request.order),
            ("Finish", request.finish),
            ("Mount", request.mount),
            ("Hardware", request.hardware),
            ("Ship to", request.ship_to),
            ("Note", request.note),
        ),
        weight=weight_words(ticket.weight) if ticket.weight else "",
        picture=_picture(ticket, drawings),
        legend=_legend(ticket.geometry),
        file_facts=_file_facts(ticket),
        colour_facts=_colour_facts(ticket),
        check=check_words(ticket.colour.check),
    )


def _filled(*pairs: tuple[str, str | None]) -> tuple[tuple[str, str], ...]:
    return tuple((label, value) for label, value in pairs if value)


def _picture(ticket: Ticket, drawings: Drawings) -> Markup:
    data = drawings.get(ticket.job)
    if not data:
        return Markup("")
    # Base 64 has no sign that HTML could take for its own.
    return Markup("data:image/jpeg;base64," + base64.b64encode(data).decode("ascii"))  # noqa: S704


def _legend(geometry: TicketGeometry) -> tuple[LineSample, ...]:
    tuck = f"; outside it the tuck, {geometry.tuck_px:,} px" if geometry.tuck_px else ""
    meanings = {"safe": "signatures and faces"}
    if geometry.wrap_px:
        meanings["trim"] = f"the bar’s back edge{tuck}"
        meanings["fold"] = f"the front face ends here; {geometry.wrap_px:,} px go round"
    elif geometry.bleed_px:
        meanings["trim"] = f"cut here; the bleed outside it, {geometry.bleed_px:,} px, goes"
    elif geometry.trim_box != geometry.face_box:
        meanings["sheet"] = "the edge of the paper"
    return tuple(
        replace(sample, meaning=meanings[kind])
        for kind, sample in LINES.items()
        if kind in meanings
    )


def _file_facts(ticket: Ticket) -> tuple[tuple[str, str], ...]:
    made = ticket.print_file
    size = f"{made.width_px:,} × {made.height_px:,} px"
    plain = made.compression.lower() in ("", "none", made.format.lower())
    compressed = "" if plain else f", {made.compression}"
    return _filled(
        ("Size", size),
        ("Resolution", f"{shown_ppi(made.ppi)} ppi"),
        ("Form", f"{made.format.upper()}, {made.bits} bit{compressed}, {megabytes(made.bytes)}"),
        ("SHA-256", made.sha256),
    )


def _colour_facts(ticket: Ticket) -> tuple[tuple[str, str], ...]:
    colour = ticket.colour
    compensation = "on" if colour.black_point_compensation else "off"
    source = colour.source_profile
    if colour.source_profile_from == "assumed":
        source += " (assumed: the picture carried no profile)"
    return _filled(
        ("Picture was in", source),
        ("File is in", colour.output_profile),
        ("Profile’s SHA-256", colour.output_profile_sha256),
        ("Intent", f"{INTENTS[colour.intent]}, black point compensation {compensation}"),
        ("Dither seed", colour.dither_seed),
        ("Made with", colour.engine),
    )


def _made(parcel: ParcelTicket, drawings: Drawings) -> bytes:
    return render_ticket_html(parcel, drawings).encode("utf-8", "replace")


FORM = TicketForm("ticket.html", _made)
