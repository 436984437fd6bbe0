"""Rows of an order sheet whose pictures were claimed before: brought together with their jobs.

A job of the same words, ordered by this sheet or by an earlier version of it, is the row's own. One
that no sheet has ordered, or an earlier version of this one, is asked for anew while that is
possible. For a row that is left over a further job is made of the same original. What another
sheet has ordered stays as it is: its pictures may have the same names as those to come.
"""

from __future__ import annotations

from collections.abc import Collection, Iterable
from dataclasses import dataclass, field, replace

import structlog

from platemark.engine.claim import (
    Ask,
    Ordered,
    asked_body,
    claim_further,
    gather_anew,
    layers_of,
    of_row,
    said,
)
from platemark.engine.lifecycle import move
from platemark.engine.sheet_record import Version
from platemark.engine.workshop import Workshop
from platemark.intake.order_sheet import said_in, same_words
from platemark.ledger.read import JobRow
from platemark.model.job import job_number
from platemark.model.request import Layer, resolve

_CHANGEABLE = ("held", "examined", "rendered")


@dataclass(frozen=True, slots=True)
class Standing:
    """How one row stands."""

    kind: str
    """`done`, `busy` where the next turns decide, `missing`, or `open` for whatever else waits."""
    sentence: str = ""


BUSY = Standing("busy")


@dataclass(slots=True)
class Matched:
    """What came of the rows of one file."""

    jobs: dict[int, int] = field(default_factory=dict)
    """Rows that have their job."""
    standings: dict[int, Standing] = field(default_factory=dict)
    """All others."""
    notes: dict[int, str] = field(default_factory=dict)
    """Jobs of that file that no row asks for, and what to do about them."""


@dataclass(frozen=True, slots=True)
class _Mate:
    """A job that a row may speak of."""

    job: JobRow
    layers: tuple[Layer, ...]
    sheet: int | None
    """The sheet that ordered it."""
    row: Layer | None
    """What that said."""


async def match(
    workshop: Workshop,
    ask: Ask,
    version: Version,
    file: str,
    rows: Iterable[Ordered],
    group: Collection[int],
    taken: Collection[int],
    running: Collection[int],
) -> Matched:
    """Bring the rows of one file together with the jobs that were made of it.

    Args:
        workshop: The open studio.
        ask: Has a hot folder touched.
        version: The sheet.
        file: The file's name, as the sheet has it.
        rows: Rows that have no job yet.
        group: The jobs of the file's newest drop.
        taken: Those that belong to another row of this sheet already.
        running: Jobs that are being worked on.
    """
    read = workshop.ledger.read
    everyone = [_mate(workshop, job) for number in group if (job := read.job(number))]
    counts = any(m.job.state != "withdrawn" or m.sheet in version.lineage for m in everyone)
    mates = [mate for mate in everyone if mate.job.job not in taken]
    result = Matched()
    left: list[Ordered] = []
    for row in rows:
        mate = _own(mates, version, row)
        if mate is None:
            left.append(row)
        else:
            mates.remove(mate)
            result.jobs[row.row] = mate.job.job
    alive = [mate for mate in mates if mate.job.state != "withdrawn"]
    foreign = next(
        (m for m in alive if m.sheet is not None and m.sheet not in version.lineage), None
    )
    for row in left:
        if foreign is not None:
            result.standings[row.row] = _of_another(row, file, foreign)
        elif not counts:
            # Everything was withdrawn before the sheet came.
            result.standings[row.row] = missing(row.row, file)
        else:
            await _match_late(workshop, ask, row, file, alive, everyone[0].job, result, running)
    if left and foreign is None:
        result.notes = {mate.job.job: _not_asked_for(mate) for mate in alive}
    return result


def missing(row: int, file: str, near: str = "") -> Standing:
    """A row whose file is not here.

    Args:
        row: The row's number.
        file: The file that it names.
        near: A file of much the same name that is here; empty where none is.
    """
    meant = f" Is {near} meant? Then write that in the sheet." if near else ""
    return Standing("missing", f"Row {row}: {file} is not here.{meant}")


async def _match_late(
    workshop: Workshop,
    ask: Ask,
    row: Ordered,
    file: str,
    alive: list[_Mate],
    first: JobRow,
    result: Matched,
    running: Collection[int],
) -> None:
    mate = next((each for each in alive if each.job.surface == row.surface), None)
    if mate is None:
        await claim_further(workshop, first, row, ask)
        result.standings[row.row] = BUSY
        return
    alive.remove(mate)
    without = tuple(layer for layer in mate.layers if layer != mate.row)
    if _asks_nothing_new(without, row.layer, mate.layers):
        result.jobs[row.row] = mate.job.job
    elif mate.job.job in running or mate.job.state == "claimed":
        result.standings[row.row] = BUSY
    elif mate.job.state in _CHANGEABLE:
        await _ask_anew(workshop, ask, mate.job, row)
        result.standings[row.row] = BUSY
    else:
        result.standings[row.row] = _too_late(row, file, mate.job)


def _asks_nothing_new(without: tuple[Layer, ...], row: Layer, layers: tuple[Layer, ...]) -> bool:
    asked, before = resolve((*without, row)), resolve(layers)
    # That it is for the surface that the job is on is nothing new.
    request = replace(asked.request, surface=before.request.surface)
    return (request, asked.troubles) == (before.request, before.troubles)


async def _ask_anew(workshop: Workshop, ask: Ask, job: JobRow, row: Ordered) -> None:
    gathered = await gather_anew(workshop, job, ask, row)
    now = workshop.ledger.read.job(job.job)
    if now is None or now.moved_seq != job.moved_seq:
        return  # it moved on meanwhile: the next look tells how it stands
    with workshop.ledger.transaction() as transaction:
        if job.state != "held":
            move(transaction, job, "set-back", "held", {"why": "its order sheet came later"})
            job = workshop.ledger.read.job(job.job) or job
        body = {**said(transaction, gathered), **of_row(row)}
        move(transaction, job, "asked-anew", "claimed", body)
    structlog.get_logger().info("asked-anew", job=job.job, row=row.row)


def _mate(workshop: Workshop, row: JobRow) -> _Mate:
    body = asked_body(workshop.ledger.read, row)
    layers = layers_of(body)
    return _Mate(row, layers, body.get("sheet"), said_in(layers))


def _own(mates: list[_Mate], version: Version, row: Ordered) -> _Mate | None:
    for mate in mates:
        ours = mate.sheet in version.lineage and mate.job.surface == row.surface
        if ours and mate.row is not None and same_words(mate.row, row.layer):
            return mate
    return None


def _of_another(row: Ordered, file: str, mate: _Mate) -> Standing:
    return Standing(
        "missing",
        f"Row {row.row}: {file} is not here. Job {job_number(mate.job.job)} of that name was "
        "ordered by another sheet and stays as it is.",
    )


def _too_late(row: Ordered, file: str, job: JobRow) -> Standing:
    sent = f"already in parcel {job.parcel}" if job.parcel else job.state
    return Standing(
        "open",
        f"Row {row.row} came too late for {file}: job {job_number(job.job)} is {sent}. Tell the "
        "lab if it matters. A new file of that name would get this row.",
    )


def _not_asked_for(mate: _Mate) -> str:
    return (
        f"Job {job_number(mate.job.job)} ({mate.job.original_name} on {mate.job.surface}) was "
        "taken in before this sheet, and no row asks for it. Withdraw it if nobody wants it."
    )
