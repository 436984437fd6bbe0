"""`recall`: call jobs back, wherever they are."""

from __future__ import annotations

import sys
import uuid
from pathlib import Path

import click

from platemark.app.cli_decide import chosen_jobs
from platemark.app.context import FAULT, out, studio_of
from platemark.app.hand_in import hand_in
from platemark.app.open_studio import reading
from platemark.engine.recall import can_be_recalled, rest_of_set
from platemark.intake.answers import is_reason
from platemark.ledger.read import JobRow, Reader
from platemark.model.decision import RecallDecision, SeenJob
from platemark.model.errors import UsageError


@click.command("recall")
@click.argument("numbers", nargs=-1, metavar="N…")
@click.option("--order", help="Every job of this order that is in a parcel or with its lab.")
@click.option("--whole-set", is_flag=True, help="And all that belongs to the same sets.")
@click.option("--by", required=True, help="Your name, as in studio.toml.")
@click.option("--because", required=True, help="Why; it never leaves the studio.")
@click.pass_obj
def recall(
    studio: str | None,
    numbers: tuple[str, ...],
    order: str | None,
    whole_set: bool,
    by: str,
    because: str,
) -> None:
    """Call jobs back: one (14), a range (14-73), several, or an order.

    What is in no parcel is withdrawn. A parcel that has not left is taken back, and its other jobs
    go in a new one. What the lab has, or may have, is called back by a notice not to print it.
    """
    if not is_reason(because):
        raise UsageError(f"“{because}” says no reason.", "Say after --because why.")
    root = studio_of(studio)
    with reading(root) as reader:
        rows = _chosen(reader, numbers, order)
        if whole_set:
            more = {row.job: row for row in rest_of_set(reader, rows)}
            rows = sorted({**{row.job: row for row in rows}, **more}.values(), key=_number)
    decision = RecallDecision(
        id=str(uuid.uuid4()),
        kind="recall",
        jobs=tuple(SeenJob(row.job, row.moved_seq) for row in rows),
        by=by,
        because=because,
    )
    served, outcomes = hand_in(root, [decision])
    applied = all(outcome.applied for outcome in outcomes)
    for outcome in outcomes:
        click.echo(outcome.sentence, err=not outcome.applied)
    if applied and not served and _is_left_to_do(root):
        out("Run `platemark sweep`, or start the service: what is to go to the lab goes then.")
    sys.exit(0 if applied else FAULT)


def _chosen(reader: Reader, numbers: tuple[str, ...], order: str | None) -> list[JobRow]:
    """The jobs that are meant; by range and by order those that are sent or about to be.

    Raises:
        UsageError: none fits.
    """

    def fits(row: JobRow) -> bool:
        return can_be_recalled(reader, row)

    rows = chosen_jobs(reader, numbers, order, fits)
    if not rows:
        raise UsageError("Nothing that was sent fits.", "See `platemark jobs --state delivered`.")
    return rows


def _is_left_to_do(root: Path) -> bool:
    """Whether a parcel or a notice waits for its courier, or a job to be looked at."""
    with reading(root) as reader:
        return bool(reader.parcels(state="closed") or reader.jobs(state="claimed"))


def _number(row: JobRow) -> int:
    return row.job
