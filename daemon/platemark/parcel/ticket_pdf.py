"""`ticket.pdf`: the parcel's tickets on paper, each job on pages of its own."""

from __future__ import annotations

from platemark.model import paper
from platemark.model.paper import Block, Paper, Section, Tone
from platemark.model.ticket import ParcelTicket
from platemark.parcel.forms import Pictures, TicketForm
from platemark.parcel.ticket_parts import Part, parts_of
from platemark.parcel.ticket_words import (
    NO_PICTURE,
    TEST,
    TEST_MORE,
    parcel_notes,
    preview_words,
    shown_time,
)

_DRAWING_MM = (88, 62)
_PREVIEW_MM = (149, 80)


def ticket_paper(parcel: ParcelTicket, pictures: Pictures) -> Paper:
    """Say what stands on the tickets' pages, the most urgent first."""
    parts = parts_of(parcel)
    sections = []
    for place, part in enumerate(parts, 1):
        which = f", {place} of {len(parts)}" if len(parts) > 1 else ""
        head = (
            f"Job {part.number} in parcel {parcel.parcel}{which}",
            f"{parcel.studio} for {parcel.lab_name}",
            shown_time(parcel.created),
        )
        sections.append(Section(head, tuple(_blocks(parcel, part, pictures))))
    return Paper(f"{parcel.parcel}: job tickets", parcel.studio, tuple(sections))


def _blocks(parcel: ParcelTicket, part: Part, pictures: Pictures) -> list[Block]:
    ticket = part.ticket
    blocks = []
    if notes := parcel_notes(parcel):
        blocks.append(paper.notes(notes))
    if ticket.request.purpose == "test":
        blocks.append(paper.banner(TEST, TEST_MORE))
    blocks += [_quantity(part), *_orders(part)]
    if part.wishes:
        blocks.append(paper.row("For this order", paper.facts(part.wishes)))
    care = [paper.words(part.weight, "strong")] if part.weight else []
    care += [paper.words(text) for text in ticket.cautions]
    if care:
        blocks.append(paper.row("Take care", *care))
    blocks.append(paper.row("Picture and file", _view(part, pictures)))
    if part.findings:
        said = [paper.words(f"{text} {accepted}".rstrip()) for text, accepted in part.findings]
        blocks.append(paper.row("Good to know", *said))
    blocks += _look(part, pictures)
    changes = [(change.text, change.before, change.after) for change in ticket.changes]
    changed = (
        paper.table(("What and why", "Before", "After"), changes, (13, 6, 5))
        if changes
        else paper.words("Nothing.")
    )
    blocks.append(paper.row("What we changed", changed))
    checked = (paper.words(part.check, "small"), paper.facts(part.colour_facts, "small"))
    blocks.append(paper.row("How it was checked", *checked))
    blocks.append(paper.row("For the record", paper.facts(part.record_facts, "small")))
    return blocks


def _quantity(part: Part) -> Block:
    request = part.ticket.request
    size = part.size
    size += f" on a sheet of {part.sheet}" if part.sheet else ""
    size += f", on a bar of {part.bar}" if part.bar else ""
    lines: list[tuple[str, Tone]] = [(size, "big")]
    if part.border:
        lines.append((f"Blank border: {part.border}", "soft"))
    elif part.edge:
        lines.append((f"The whole file prints at {part.whole_said}", "soft"))
    if request.title:
        lines.append((request.title, "plain"))
    if part.place:
        lines.append((f"Set {request.set}: {part.place}", "strong"))
    count, _, word = part.copies.partition(" ")
    return paper.quantity(count, word, request.product, lines)


def _orders(part: Part) -> list[Block]:
    colour = (paper.words(part.colour.order, "order"), paper.words(part.colour.reason))
    blocks = [paper.row("Colour", *colour, first=True)]
    if part.mirror_order:
        blocks.append(paper.row("Which way round", paper.words(part.mirror_order, "order")))
    if part.orders:
        blocks.append(paper.row("What to do", paper.points(part.orders)))
    return blocks


def _view(part: Part, pictures: Pictures) -> Block:
    drawing = pictures.drawing_files.get(part.ticket.job, "")
    shown = paper.picture(drawing, _DRAWING_MM, NO_PICTURE, top=True)
    lines = [
        (line.colour, line.dashes, line.word, line.arrow, line.meaning) for line in part.legend
    ]
    path = paper.words(part.ticket.print_file.path, "code")
    return paper.beside([shown], [path, paper.legend(lines), paper.facts(part.file_facts, "small")])


def _look(part: Part, pictures: Pictures) -> list[Block]:
    ticket = part.ticket
    blocks = []
    preview = pictures.preview_files.get(ticket.job, "")
    if preview and ticket.proof is not None:
        blocks += [
            paper.picture(preview, _PREVIEW_MM, part.preview_said),
            paper.words(" ".join(preview_words(ticket.proof.path)), "small"),
        ]
    if ticket.suitability:
        headings = ("On this surface", "Measured", "In words")
        rows = [(each.label, each.figure, each.sentence) for each in ticket.suitability]
        blocks.append(paper.table(headings, rows, (6, 5, 17)))
    return [paper.row("How it will look", *blocks)] if blocks else []


FORM = TicketForm("ticket.pdf", ticket_paper)
