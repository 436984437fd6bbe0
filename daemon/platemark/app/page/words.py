"""How the page says things: states, times, counts."""

from __future__ import annotations

from datetime import datetime

from platemark.delivery import COLLECT
from platemark.intake.plain_text import flat
from platemark.ledger.chain import Entry
from platemark.ledger.read import JobRow, ParcelRow

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
    "reprint-ordered": "ordered once more",
    "returned": "the print came back",
    "approved": "the test was approved",
    "approval-taken-back": "the approval was taken back",
    "strip-read": "its patch strip was measured",
    "strip-settled": "a drift of strips was decided about",
    "lab-answered": "the lab answered",
    "edition-sold": "a numbered print was sold",
    "edition-unsold": "a numbered print is in the studio again",
    "edition-void": "a number was made void",
    "edition-destroyed": "a numbered print was destroyed",
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
    "looked-again": "to be looked at once more",
    "asked-anew": "asked for by an order sheet that came later",
    "unrendered": "to be prepared anew",
    "reparcelled": "moved to another parcel",
    "drop-moved": "its dropped file was found again after a move",
    "taken-changed": "a file in taken/ was written to later",
    "sheet-read": "an order sheet was read",
    "sheet-let-go": "an order sheet was done with",
    "parcel-taken-back": "a parcel was taken back",
    "parcel-given-up": "a parcel was given up before it was closed",
    "parcel-cleared": "a parcel was cleared away at the lab's end",
    "parcel-let-out": "a parcel in doubt was let go out",
    "morning-written": "the morning's digest was written",
    "morning-told": "the morning's digest was sent, or was tried to be",
    "removal-begun": "the removal of what is kept no longer began",
    "removal-done": "what is kept no longer was removed",
    "words-erased": "a client's personal words were erased",
    "backed-up": "a backup was made",
    "archive-verified": "the whole archive was read back",
    "archive-damaged": "a damaged file was found in the archive",
    "archive-mended": "a damaged file of the archive was mended",
    "rescued": "the record was rescued from a damaged file",
    "record-restored": "the record was restored",
    "parcel-read-back": "a parcel was read back into the record",
    "job-read-back": "read back into the record",
    "files-found": "files were found that the record did not know",
}


def kind_words(kind: str) -> str:
    """What an entry's kind means; the kind itself, spelt out, where nothing better is known."""
    return KINDS.get(kind, kind.replace("-", " "))


def parcel_words(row: ParcelRow, newest: Entry | None) -> str:
    """A parcel's state; one that nothing brings to its lab is not said to be on its way.

    Args:
        row: The parcel.
        newest: What happened to it last.
    """
    closed = newest.body if newest is not None and newest.kind == "parcel-closed" else {}
    if closed.get("method") == COLLECT:
        return "closed, to be fetched"
    return PARCEL_STATES.get(row.state, row.state)


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
