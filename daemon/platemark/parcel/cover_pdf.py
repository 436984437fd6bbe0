"""`cover.pdf`: one sheet per parcel: what is in it, how much, for whom, and how it is checked."""

from __future__ import annotations

from collections.abc import Sequence

from platemark.model import paper
from platemark.model.paper import Block, Paper, Section
from platemark.model.ticket import ParcelTicket
from platemark.parcel.bag import PAYLOAD_MANIFEST, TAG_MANIFEST
from platemark.parcel.forms import Pictures, TicketForm
from platemark.parcel.ticket_parts import Part, parts_of, shared_of, witness_facts
from platemark.parcel.ticket_words import (
    TEST,
    copies_words,
    megabytes,
    parcel_notes,
    shown_time,
    total_words,
)

_LONGEST_NAME = 90
HOW_TO_CHECK = (
    "Count: there is one print file in data/ for each job, and nothing else in that folder.",
    f"Compare: “sha256sum --check {PAYLOAD_MANIFEST} {TAG_MANIFEST}”, given inside this folder, "
    "says OK for every file; any program that checks BagIt 1.0 bags (RFC 8493) does the same.",
    "Read the ticket of each job before it is printed: ticket.pdf and ticket.html say the same, "
    "ticket.json says it to programs.",
    "If anything is missing, is not OK, or is not clear: print nothing of that job, and ask the "
    "studio.",
)


def cover_paper(parcel: ParcelTicket, _pictures: Pictures) -> Paper:
    """Say what stands on the sheet that lies on top of a parcel."""
    parts = parts_of(parcel)
    head = (f"Parcel {parcel.parcel}", f"{parcel.studio} for {parcel.lab_name}")
    blocks = (
        paper.words(parcel.parcel, "title"),
        paper.words(total_words(parcel), "big"),
        *([paper.notes(notes)] if (notes := parcel_notes(parcel)) else []),
        paper.row("From and to", paper.facts(_ways(parcel, parts)), first=True),
        paper.row("What is in it", _jobs(parts, wanted=shared_of(parcel, parts).wanted_differs)),
        *_sets(parts),
        paper.row("By product", _totals(parts)),
        *_heavy(parts),
        paper.row("How to check it", paper.points(HOW_TO_CHECK)),
        paper.row("For the record", paper.facts(witness_facts(parcel), "small")),
    )
    section = Section((*head, shown_time(parcel.created)), blocks)
    return Paper(f"{parcel.parcel}: what is in this parcel", parcel.studio, (section,))


def _ways(parcel: ParcelTicket, parts: Sequence[Part]) -> list[tuple[str, str]]:
    size = sum(part.ticket.print_file.bytes for part in parts)
    addresses = list(dict.fromkeys(part.ship_to for part in parts))
    several = len(addresses) > 1
    shared = shared_of(parcel, parts).facts
    return [
        ("From", parcel.studio),
        ("For", f"{parcel.lab_name} ({parcel.lab})"),
        *(pair for pair in shared if not (several and pair[0] == "Ship to")),
        *(
            (f"Ship to, {_jobs_of(parts, address)}", address)
            for address in (addresses if several else ())
        ),
        ("Print files", f"{len(parts)}, together {megabytes(size)}"),
    ]


def _jobs_of(parts: Sequence[Part], address: str) -> str:
    numbers = [part.number for part in parts if part.ship_to == address]
    return f"job{'' if len(numbers) == 1 else 's'} {', '.join(numbers)}"


def _jobs(parts: Sequence[Part], *, wanted: bool) -> Block:
    """A line a job; with the day it is wanted by where that is not the same for all."""
    headings = ["Prints", "On", "Size", "Picture and file", "Job"]
    shares = [4, 12, 11, 20, 6]
    if wanted:
        headings.insert(4, "Wanted by")
        shares[3:4] = [15, 9]
    rows = []
    for part in parts:
        request = part.ticket.request
        about = [request.product, TEST if request.purpose == "test" else "", part.mirror]
        measures = [part.size, f"on a sheet of {part.sheet}" if part.sheet else part.edge]
        name = request.title or part.ticket.original.name
        file = part.ticket.print_file.path.removeprefix("data/")
        cells = [str(request.copies), "\n".join(filter(None, about))]
        cells += ["\n".join(filter(None, measures)), f"{_short(name)}\n{file}"]
        cells += [part.wanted or "no date"] if wanted else []
        rows.append([*cells, part.number])
    return paper.table(headings, rows, shares, figures=(0,))


def _short(name: str) -> str:
    """A name of which the job's own ticket has all."""
    return name if len(name) <= _LONGEST_NAME else f"{name[: _LONGEST_NAME - 1]}…"


def _sets(parts: Sequence[Part]) -> list[Block]:
    """Which pictures belong together."""
    lines = [
        f"Job {part.number}, set {part.ticket.request.set}: {part.place}"
        for part in parts
        if part.place
    ]
    return [paper.row("Sets", paper.points(lines))] if lines else []


def _totals(parts: Sequence[Part]) -> Block:
    kinds: dict[tuple[str, str], tuple[int, int]] = {}
    for part in parts:
        key = (part.ticket.request.product, part.size)
        jobs, prints = kinds.get(key, (0, 0))
        kinds[key] = (jobs + 1, prints + part.ticket.request.copies)
    rows = [(*key, str(jobs), str(prints)) for key, (jobs, prints) in sorted(kinds.items())]
    total = ("Together", "", str(len(parts)), str(sum(prints for _, prints in kinds.values())))
    return paper.table(
        ("Product", "Size", "Jobs", "Prints"),
        [*rows, total],
        (14, 11, 3, 3),
        figures=(2, 3),
        total=True,
    )


def _heavy(parts: Sequence[Part]) -> list[Block]:
    """What weighs enough to be marked, with the care that its own ticket asks for."""
    lines = [
        f"Job {part.number}, {copies_words(part.ticket.request.copies)}"
        f"{', each' if part.ticket.request.copies > 1 else ''}: {part.weight[0].lower()}"
        f"{part.weight[1:]}"
        for part in parts
        if part.weight
    ]
    said = dict.fromkeys(text for part in parts if part.weight for text in part.ticket.cautions)
    care = [paper.points(lines), *map(paper.words, said)]
    return [paper.row("Take care", *care)] if lines else []


FORM = TicketForm("cover.pdf", cover_paper)
