"""What the record says of a print that is made again, and its archived file taken once more."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import Any

from platemark import durable
from platemark.engine.claim import REPRINT_OF
from platemark.engine.workshop import Workshop
from platemark.ledger.read import JobRow, Reader
from platemark.model.asking import stop
from platemark.model.finding import Change, Finding
from platemark.model.plain import from_plain
from platemark.model.plan import Plan
from platemark.model.reprint import SHORT, Compared, Printed, Reason, Reprint
from platemark.model.work import ChildLimits, DrawReport, DrawTask, Failure, Line

OF, REASON = REPRINT_OF, "reprint_reason"
"""What the entry of a new job says of the first."""
BODY = "reprint"
"""In the entry of an examined or held job: whether it is the same print, and the comparison."""
SIDE_BY_SIDE = "side_by_side"
"""Under `BODY`: the drawing of then and now, by its content."""


@dataclass(frozen=True, slots=True)
class Again:
    """A print that may be taken from the archive as it is."""

    first: int
    at: str
    """When it was made."""
    sha256: str
    extension: str
    path: Path
    plan: Plan
    """As it was recorded, the seed of its dither included."""
    rendered: dict[str, Any]
    """What its entry said when it was made."""

    @property
    def state(self) -> str:
        """`whole`, `damaged` or `missing`: all of it is read."""
        try:
            return "whole" if durable.hash_file(self.path) == self.sha256 else "damaged"
        except FileNotFoundError:
            return "missing"


@dataclass(frozen=True, slots=True)
class Archived:
    """The archived file was whole and is sent again, byte for byte."""

    again: Again


def first_of(read: Reader, row: JobRow) -> tuple[JobRow, Reason] | None:
    """The job that another is to be the same print as, and why; None for any other job."""
    entry = read.entry(row.claimed_seq)
    if entry is None or OF not in entry.body:
        return None
    first = read.job(entry.body[OF])
    return (first, entry.body[REASON]) if first is not None else None


def reprint_of(read: Reader, row: JobRow) -> Reprint | None:
    """What is known of the first print, and of a comparison that was made before; no plan yet."""
    found = first_of(read, row)
    if found is None:
        return None
    first, reason = found
    before = newest_body(read, row).get(BODY, {})
    compared = before.get("compared")
    return Reprint(
        of=first.job,
        reason=reason,
        first=printed_then(read, first),
        compared=from_plain(Compared, compared) if compared is not None else None,
        not_compared=before.get("not_compared", ""),
        drawing=before.get(SIDE_BY_SIDE, ""),
        seen=before.get("seen", ""),
        recalled=read.recall(first.job) is not None,
    )


def printed_then(read: Reader, row: JobRow) -> Printed:
    """How a job was printed, as far as the record tells."""
    examined = read.body(row.examined_seq)
    plan = from_plain(Plan, examined["plan"]) if "plan" in examined else None
    return Printed(row.lab or "", row.surface, examined.get("product") or "", plan)


def newest_body(read: Reader, row: JobRow) -> dict[str, Any]:
    """What was recorded last when a job was examined or held; empty where it never was."""
    seqs = [seq for seq in (row.examined_seq, row.held_seq) if seq is not None]
    return read.body(max(seqs)) if seqs else {}


def body_of_first(read: Reader, row: JobRow) -> dict[str, Any]:
    """The same of the first print of a reprint; empty for any other job."""
    found = first_of(read, row)
    return newest_body(read, found[0]) if found is not None else {}


def again_of(workshop: Workshop, row: JobRow) -> Again | None:
    """The print that an examined job is to be, where nothing of it differs; else None."""
    read = workshop.ledger.read
    found = first_of(read, row)
    if found is None or not read.body(row.examined_seq).get(BODY, {}).get("same"):
        return None
    first = found[0]
    entry, plan = read.entry(first.rendered_seq or 0), printed_then(read, first).plan
    if entry is None or plan is None:
        return None
    made = entry.body["print_file"]
    path = workshop.folders.archived(made["sha256"], made["extension"])
    return Again(first.job, entry.at, made["sha256"], made["extension"], path, plan, entry.body)


def take(
    workshop: Workshop, again: Again, lines: tuple[Line, ...], drawing: Path, limits: ChildLimits
) -> Archived | Failure:
    """Draw the ticket's picture from an archived print file that is whole.

    A child decodes all of it, so that a file that nobody could print is not sent again.
    """
    task = DrawTask(again.plan, str(again.path), str(drawing), lines)
    report = workshop.children.run(task, limits)
    if isinstance(report, Failure):
        return report
    if not isinstance(report, DrawReport):
        return Failure("bug", "a child process brought another report than was asked")
    return Archived(again)


def taken_change(again: Again, day: str) -> Change:
    """What the change log says of a print file that was taken from the archive."""
    return Change(
        "print-file-again",
        f"The print file of {day} was taken from the archive, byte for byte the same; nothing was "
        "rendered anew. What follows is how it was made then.",
        again.sha256,
        again.sha256,
    )


def remade_change(again: Again, day: str, state: str, sha256: str) -> Change:
    """What it says of one that the archive had no more, and that was made from its plan."""
    same = sha256 == again.sha256
    became = (
        "it is byte for byte the same"
        if same
        else "it is not byte for byte what it was, which was accepted"
    )
    return Change(
        "print-file-remade",
        f"The print file of {day} was {state} in the archive and was rendered anew from its plan; "
        f"{became}.",
        again.sha256,
        sha256,
    )


def differs_finding(row: JobRow, again: Again, state: str, sha256: str, engine: str) -> Finding:
    """Why a print is held whose file the archive has no more and that did not come out the same."""
    was = again.rendered.get("engine") or "not on record"
    with_what = (
        f"the same libraries ({engine})"
        if was == engine
        else f"other libraries (then {was}; now {engine})"
    )
    return stop(
        "reprint-file-differs",
        "photographer",
        f"{row.original_name}: the print file of job {again.first:06d} is {state} in the archive, "
        f"and rendered anew from the same plan it has another hash ({again.sha256[:SHORT]} then, "
        f"{sha256[:SHORT]} now), made with {with_what}.",
        "Put the archive's file back from a backup and accept to have it looked for again, or "
        "accept to print the new file; order a test print where it matters.",
        figures={"then": again.sha256, "now": sha256},
    )
