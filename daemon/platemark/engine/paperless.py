"""Parcels that lack a paper, because it could not be drawn by a mistake of ours: who is told."""

from __future__ import annotations

from platemark.engine.workshop import Workshop
from platemark.ledger.chain import Entry
from platemark.model.notice import WaitingLine
from platemark.parcel.bag import NO_PAPERS, without_words

LACKING = "papers_lacking"
"""In the entries `parcel-sealed` and `parcel-closed`: names of the papers that it goes without."""
NEXT = (
    "ticket.html in it says the same: print that where paper is wanted. Tell whoever looks after "
    "Platemark; the log says why."
)


def lacking_words(entry: Entry) -> str:
    """What a parcel goes without, in one sentence; empty where it has all."""
    names = entry.body.get(LACKING, ())
    if not names:
        return ""
    return (
        f"It goes without {without_words(names)}, by a mistake of Platemark's; {NO_PAPERS} in it "
        "says so."
    )


def paperless_lines(workshop: Workshop) -> list[WaitingLine]:
    """What WAITING.txt says of parcels that are in `outgoing/` and were not delivered yet."""
    read = workshop.ledger.read
    lines = []
    for parcel in read.parcels(state="closed"):
        entry = read.entry(parcel.seq)
        said = lacking_words(entry) if entry is not None else ""
        if said and (workshop.folders.outgoing / parcel.lab / parcel.name).is_dir():
            lines.append(WaitingLine(None, parcel.name, f"outgoing/{parcel.lab}", said, NEXT))
    return lines
