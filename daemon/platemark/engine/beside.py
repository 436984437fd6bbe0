"""Held jobs whose question is about another job, taken up again when that one is out of the way."""

from __future__ import annotations

from collections.abc import Iterable
from unicodedata import normalize

from platemark.checks import same_again, same_name
from platemark.engine.hold import stops_of
from platemark.engine.lifecycle import move
from platemark.engine.workshop import Workshop
from platemark.ledger.read import JobRow
from platemark.ledger.store import Transaction
from platemark.model.job import job_number


def asked_beside(
    workshop: Workshop, gone: Iterable[JobRow], called_back: Iterable[JobRow] = ()
) -> tuple[JobRow, ...]:
    """The held jobs that are to be looked at again.

    Another file of the same name goes on once the earlier one is gone, because its page says so.
    The same file dropped twice does not: whoever takes the first one back may want neither.

    Args:
        workshop: The open studio.
        gone: Jobs that are withdrawn, and never sent.
        called_back: Jobs that the lab has or may have, and is told not to print.
    """
    gone, called_back = tuple(gone), tuple(called_back)
    leaving = {row.job for row in (*gone, *called_back)}
    found: dict[int, JobRow] = {}
    for row in gone:
        found |= _held_for(workshop, row, {same_name.CODE})
    for row in called_back:
        found |= _held_for(workshop, row, {same_name.CODE, same_again.CODE})
    return tuple(found[job] for job in sorted(found) if job not in leaving)


def take_up(transaction: Transaction, rows: Iterable[JobRow]) -> None:
    """Have held jobs looked at again."""
    for row in rows:
        body = {"why": "the job that it was asked about was taken back"}
        move(transaction, row, "looked-again", "claimed", body)


def taken_up_words(rows: Iterable[JobRow]) -> str:
    """What people are told of them; empty where there are none."""
    shown = [f"job {job_number(row.job)} ({row.original_name})" for row in rows]
    if not shown:
        return ""
    was = "was asked about it and is" if len(shown) == 1 else "were asked about it and are"
    said = ", ".join(shown)
    return f"{said[0].upper()}{said[1:]} {was} looked at again."


def _held_for(workshop: Workshop, row: JobRow, codes: set[str]) -> dict[int, JobRow]:
    read, about = workshop.ledger.read, ("job", job_number(row.job))
    names = {row.original_name, *(normalize(form, row.original_name) for form in ("NFC", "NFD"))}
    others = [other for name in names for other in read.jobs(state="held", name=name)]
    others += read.jobs(state="held", original=row.original_sha256)
    return {
        other.job: other
        for other in others
        if any(f.code in codes and about in f.figures for f in stops_of(workshop, other))
    }
