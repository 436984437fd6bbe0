"""What a ticket shows a person at the lab, every sentence ready, for page and paper alike."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

from platemark.model.job import job_number
from platemark.model.sits import proof_words
from platemark.model.ticket import ParcelTicket, Ticket
from platemark.parcel.ticket_words import (
    INTENTS,
    PLACES,
    SOURCES,
    ColourWords,
    SetPlace,
    accepted_words,
    check_words,
    colour_words,
    copies_words,
    edge_words,
    edition_words,
    is_bordered,
    length_words,
    megabytes,
    mirror_words,
    set_places,
    shown_border,
    shown_date,
    shown_lengths,
    shown_ppi,
    shown_size,
    shown_whole,
    thread_words,
    weight_words,
    whole_words,
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
    arrow: bool = False
    """A line with a head at both ends."""


# The pictures are drawn by code that this package does not import; a test compares the two.
LINES: dict[str, LineSample] = {
    "bleed": LineSample("bleed edge", "#e69f00", "18 5 3 5"),
    "trim": LineSample("trim", "#ffffff", ""),
    "sheet": LineSample("sheet", "#ffffff", ""),
    "fold": LineSample("fold", "#f0e442", "14 8"),
    "safe": LineSample("keep inside", "#56b4e9", "3 6"),
    "brush": LineSample("lines run this way", "#cc79a7", "", arrow=True),
}


@dataclass(frozen=True, slots=True)
class Part:
    """One job, every sentence ready."""

    ticket: Ticket
    number: str
    copies: str
    size: str
    sheet: str
    border: str
    bar: str
    whole: str
    """The whole file on paper, for the list of jobs."""
    whole_said: str
    """The same in a sentence, with what of it is not picture."""
    edge: str
    wanted: str
    ship_to: str
    colour: ColourWords
    mirror: str
    """Which way round the file is, in two words; empty where plain."""
    mirror_order: str
    """The same as the lab's order, in large type."""
    orders: tuple[str, ...]
    place: SetPlace | None
    wishes: tuple[tuple[str, str], ...]
    weight: str
    preview_said: str
    """What the preview shows, for those who cannot see it."""
    legend: tuple[LineSample, ...]
    file_facts: tuple[tuple[str, str], ...]
    colour_facts: tuple[tuple[str, str], ...]
    record_facts: tuple[tuple[str, str], ...]
    """What an auditor asks: the original, and what the record's newest entry was."""
    check: str
    findings: tuple[tuple[str, str], ...]
    """What was found, and that somebody accepted it."""


@dataclass(frozen=True, slots=True)
class Shared:
    """What is the same for every job of a parcel is said once; where it differs, for each."""

    facts: tuple[tuple[str, str], ...]
    wanted_differs: bool
    ship_to_differs: bool


def parts_of(parcel: ParcelTicket) -> list[Part]:
    """Every job of a parcel, in its order."""
    places = set_places(parcel.tickets)
    return [_part(parcel, ticket, places.get(ticket.job)) for ticket in parcel.tickets]


def shared_of(parcel: ParcelTicket, parts: Sequence[Part]) -> Shared:
    """What all jobs of a parcel have in common."""
    wanted = {part.wanted for part in parts}
    ship_to = {part.ticket.request.ship_to for part in parts}
    return Shared(
        facts=_filled(
            ("Wanted by", (parts[0].wanted or "no date is given") if len(wanted) == 1 else ""),
            ("Ship to", parts[0].ship_to if len(ship_to) == 1 else ""),
            ("The studio’s address", parcel.studio_ship_to if len(ship_to) > 1 else ""),
            ("Questions to", parcel.studio_contact),
        ),
        wanted_differs=len(wanted) > 1,
        ship_to_differs=len(ship_to) > 1,
    )


def _part(parcel: ParcelTicket, ticket: Ticket, place: SetPlace | None) -> Part:
    request, geometry = ticket.request, ticket.geometry
    colour = colour_words(ticket.colour)
    size, sheet = shown_size(request.size, geometry), shown_size(request.sheet, geometry)
    bordered = is_bordered(ticket)
    besides = " with its strip" if geometry.strip_box else " sheet" if bordered else ""
    wanted = shown_date(request.due) if request.due else ""
    at_studio = f"the studio: {parcel.studio_ship_to}" if parcel.studio_ship_to else "the studio"
    ship_to = request.ship_to or at_studio
    turning = next((text for text in ticket.instructions if text.startswith("The file is ")), "")
    return Part(
        ticket=ticket,
        number=job_number(ticket.job),
        copies=copies_words(request.copies),
        size=size,
        sheet=sheet if bordered else "",
        border=shown_border(request.border) if bordered else "",
        bar=shown_lengths(request.wrap) if geometry.wrap_px else "",
        whole=shown_whole(ticket.print_file.prints_at) + besides,
        whole_said=whole_words(ticket),
        edge=edge_words(ticket),
        wanted=wanted,
        ship_to=ship_to,
        colour=colour,
        mirror=mirror_words(ticket),
        mirror_order=turning,
        # Said in large type already.
        orders=tuple(
            text for text in ticket.instructions if text not in (colour.sentence, turning)
        ),
        place=place,
        wishes=_filled(
            ("Wanted by", wanted),
            ("Order", request.order),
            ("Edition", edition_words(ticket)),
            *thread_words(ticket),
            ("Finish", request.finish),
            ("Mount", request.mount),
            ("Hardware", request.hardware),
            ("Will hang", PLACES[request.place] if request.place else ""),
            ("Ship to", ship_to),
            ("Note", request.note),
            ("Questions to", parcel.studio_contact),
        ),
        weight=weight_words(ticket.weight) if ticket.weight else "",
        preview_said=proof_words((each.label, each.figure) for each in ticket.suitability),
        legend=_legend(ticket),
        file_facts=_file_facts(ticket),
        colour_facts=_colour_facts(ticket),
        record_facts=_record_facts(parcel, ticket),
        check=check_words(ticket.colour.check),
        findings=tuple((each.message, accepted_words(each)) for each in ticket.findings),
    )


def _filled(*pairs: tuple[str, str | None]) -> tuple[tuple[str, str], ...]:
    return tuple((label, value) for label, value in pairs if value)


def _legend(ticket: Ticket) -> tuple[LineSample, ...]:
    geometry = ticket.geometry
    meanings = {"safe": "signatures and faces"}
    if geometry.wrap_px:
        tuck = length_words(geometry.tuck, geometry.tuck_px)
        meanings["trim"] = "the bar’s back edge" + (
            f"; outside it the tuck, {tuck}" if geometry.tuck_px else ""
        )
        wrap = length_words(ticket.request.wrap, geometry.wrap_px)
        meanings["fold"] = f"the front face ends here; {wrap} go round"
    elif geometry.bleed_px:
        bleed = length_words(geometry.bleed, geometry.bleed_px)
        meanings["trim"] = f"cut here; the bleed outside it, {bleed}, goes"
        meanings["bleed"] = "the file ends here"
    elif is_bordered(ticket):
        meanings["sheet"] = "the edge of the paper"
    if geometry.direction != "none":
        way = "width" if geometry.direction == "along-width" else "height"
        meanings["brush"] = f"in the surface itself, along the picture’s {way}; turn nothing"
    return tuple(
        replace(sample, meaning=meanings[kind])
        for kind, sample in LINES.items()
        if kind in meanings
    )


def _file_facts(ticket: Ticket) -> tuple[tuple[str, str], ...]:
    made = ticket.print_file
    pixels = f"{made.width_px:,} × {made.height_px:,}"
    plain = made.compression.lower() in ("", "none", made.format.lower())
    compressed = "" if plain else f", {made.compression}"
    return _filled(
        ("Prints at", whole_words(ticket)),
        ("Pixels", pixels),
        ("Resolution", f"{shown_ppi(made.ppi)} ppi"),
        ("Form", f"{made.format.upper()}, {made.bits} bit{compressed}, {megabytes(made.bytes)}"),
        ("SHA-256", made.sha256),
    )


def _record_facts(parcel: ParcelTicket, ticket: Ticket) -> tuple[tuple[str, str], ...]:
    original = ticket.original
    pixels = f"{original.width_px:,} × {original.height_px:,} px, {original.bits} bit"
    return (
        ("Original", f"{original.name}, {pixels}"),
        ("SHA-256", original.sha256),
        *witness_facts(parcel),
        ("Ticket of", f"job {job_number(ticket.job)} in parcel {parcel.parcel}"),
    )


def witness_facts(parcel: ParcelTicket) -> tuple[tuple[str, str], ...]:
    """The studio's newest entry when the ticket was written."""
    return (
        ("Witness", f"entry {parcel.witness.seq} of the studio’s record"),
        ("Its hash", parcel.witness.hash),
    )


def _colour_facts(ticket: Ticket) -> tuple[tuple[str, str], ...]:
    colour = ticket.colour
    compensation = "on" if colour.black_point_compensation else "off"
    source = colour.source_profile + SOURCES[colour.source_profile_from]
    return _filled(
        ("Picture was in", source),
        ("File is in", colour.output_profile),
        ("Profile’s SHA-256", colour.output_profile_sha256),
        ("Intent", f"{INTENTS[colour.intent]}, black point compensation {compensation}"),
        ("Dither seed", colour.dither_seed),
        ("Made with", colour.engine),
    )
