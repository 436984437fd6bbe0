"""How the page says things: states, times, counts."""

from __future__ import annotations

from datetime import datetime

from platemark.intake.plain_text import flat
from platemark.ledger.read import JobRow

STATES = {
    "claimed": "taken in",
    "examined": "looked at",
    "rendered": "prepared",
    "parcelled": "in a parcel",
    "delivered": "delivered",
    "held": "held",
    "withdrawn": "withdrawn",
}
"""A job's state, as people read it; each has a shape of its own besides."""
PARCEL_STATES = {
    "sealed": "being closed",
    "closed": "closed, on its way",
    "verified": "at the lab, being named",
    "delivered": "delivered",
    "taken-back": "taken back",
    "doubtful": "waits for a word: sent or not?",
    "given-up": "never closed",
}
PARCEL_SHAPES = {
    "sealed": "rendered",
    "closed": "parcelled",
    "verified": "parcelled",
    "delivered": "delivered",
    "taken-back": "withdrawn",
    "doubtful": "held",
    "given-up": "withdrawn",
}
KINDS = {
    "claimed": "taken in",
    "examined": "looked at, and planned",
    "held": "held for a person",
    "decided": "answered",
    "rendered": "prepared and checked",
    "parcelled": "put into a parcel",
    "delivered": "delivered",
    "withdrawn": "withdrawn",
    "superseded": "a corrected picture took its place",
    "let-go": "moved out of the hot folder",
    "set-back": "to be looked at anew",
    "decision-refused": "an answer was not taken",
    "recalled": "called back",
    "parcel-sealed": "a parcel was put together",
    "parcel-closed": "a parcel was closed",
    "parcel-verified-at-lab": "proved at the lab's end",
    "parcel-delivered": "a parcel was delivered",
    "picture-settled": "a picture was settled on a surface",
    "profile-tried": "a lab's profile was tried",
    "profile-admitted": "a lab's profile was registered",
    "profile-refused": "a lab's profile was refused",
    "profile-retired": "a lab's profile was retired",
    "upkeep-begun": "the night's upkeep began",
    "upkeep-done": "the night's upkeep was done",
}


def kind_words(kind: str) -> str:
    """What an entry's kind means; the kind itself, spelt out, where nothing better is known."""
    return KINDS.get(kind, kind.replace("-", " "))


def moment_words(moment: datetime, now: datetime) -> str:
    """A local moment as short as it is clear: `14:05`, `3 May, 14:05`, `3 May 2025, 14:05`."""
    if moment.date() == now.date():
        return f"{moment:%H:%M}"
    year = "" if moment.year == now.year else f" {moment.year}"
    return f"{moment.day} {moment:%B}{year}, {moment:%H:%M}"


def count_words(count: int, one: str, many: str) -> str:
    """A count with its noun: `1 picture`, `12 pictures`."""
    return f"{count:,} {one if count == 1 else many}"


def asked_words(row: JobRow, surface_name: str, lab_name: str) -> str:
    """What is asked of a job, in a line: `16x20in, 2 copies, on Smooth rag, by Brindlewick`."""
    copies = f"{row.copies} copies" if row.copies and row.copies > 1 else ""
    size = (
        row.size.replace("x", " × ").replace("in", " in").replace("cm", " cm") if row.size else ""
    )
    lab = f"printed by {lab_name}" if lab_name else ""
    test = "a test print" if row.purpose == "test" else ""
    order = f"for {row.order}" if row.order else ""
    return flat(", ".join(filter(None, (size, copies, f"on {surface_name}", lab, test, order))))
