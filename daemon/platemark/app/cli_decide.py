"""`decide`: answer held jobs, and settle how pictures are printed."""

from __future__ import annotations

import sys
import time
import uuid
from collections.abc import Callable
from pathlib import Path
from typing import Literal

import click

from platemark.app.context import FAULT, HELD, findings_of, job_row, out, pairs, studio_of
from platemark.app.hand_in import hand_in
from platemark.app.open_studio import reading
from platemark.engine.picture_decisions import newest_seq, settling_of
from platemark.intake.answers import is_reason
from platemark.ledger.read import JobRow, Reader
from platemark.model.adjusting import EXAMPLE, NONE, BadAdjustment, parse_adjustment
from platemark.model.decision import Decision, PictureDecision
from platemark.model.errors import UsageError
from platemark.model.job import job_number

NEXT_STATE_WAIT_S = 6
"""After its answer was taken, a job is watched this long for what comes of it."""


@click.command("decide")
@click.argument("numbers", nargs=-1, metavar="N…")
@click.option("--order", help="Every held job of this order.")
@click.option("--accept", multiple=True, metavar="CODE", help="A finding to accept.")
@click.option(
    "--set",
    "settings",
    multiple=True,
    metavar="KEY=VALUE",
    help="Another request, such as fit=crop.",
)
@click.option("--withdraw", is_flag=True, help="Do not print it.")
@click.option(
    "--adjust",
    metavar="NUMBERS",
    help=f"How its tones are changed on this surface, now and later: “{EXAMPLE}”; “{NONE}” undoes "
    "it.",
)
@click.option(
    "--intent",
    type=click.Choice(["perceptual", "relative", "surface"]),
    help="Its rendering intent on this surface, now and later; “surface” undoes it.",
)
@click.option("--by", required=True, help="Your name, as in studio.toml.")
@click.option("--because", required=True, help="Why.")
@click.pass_obj
def decide(
    studio: str | None,
    numbers: tuple[str, ...],
    order: str | None,
    accept: tuple[str, ...],
    settings: tuple[str, ...],
    withdraw: bool,
    adjust: str | None,
    intent: Literal["perceptual", "relative", "surface"] | None,
    by: str,
    because: str,
) -> None:
    """Answer held jobs: one (14), a range (14-73), several, or an order.

    --adjust and --intent settle how the pictures of jobs in any state are printed on their
    surface; for a job of a set, all pictures of the set. What is not in a parcel yet is prepared
    anew; each picture keeps it whenever it comes again.
    """
    settles = adjust is not None or intent is not None
    _refuse_mix(bool(accept or settings), withdraw, settles)
    if not is_reason(because):
        raise UsageError(f"“{because}” says no reason.", "Say after --because why.")
    root = studio_of(studio)
    answered = tuple(pairs(settings).items())
    with reading(root) as reader:
        rows = _chosen(reader, numbers, order, held_only=not settles)
        decisions: list[Decision] | list[PictureDecision]
        if settles:
            decisions = _settling(reader, rows, adjust, intent, by, because)
        else:
            decisions = [
                Decision(
                    id=str(uuid.uuid4()),
                    kind="decide",
                    job=row.job,
                    expected_seq=row.moved_seq,
                    accept=accept,
                    settings=answered,
                    withdraw=withdraw,
                    by=by,
                    because=because,
                )
                for row in rows
            ]
    sys.exit(_handed_in(root, decisions, goes_on=not withdraw))


def _refuse_mix(answers: bool, withdraw: bool, settles: bool) -> None:
    """Refuse a `decide` that says nothing, or two things that cannot be said at once.

    Raises:
        UsageError: says which.
    """
    if not (answers or withdraw or settles):
        raise UsageError(
            "You have not said what is decided.",
            "Say --accept CODE, --set key=value, --withdraw, --adjust NUMBERS or --intent.",
        )
    if settles and (answers or withdraw):
        raise UsageError(
            "--adjust and --intent are about a picture, the other answers about a job.",
            "Decide them one after the other.",
        )
    if withdraw and answers:
        raise UsageError("A job is either withdrawn or goes on, not both.")


def _handed_in(
    root: Path, decisions: list[Decision] | list[PictureDecision], *, goes_on: bool
) -> int:
    """Hand decisions in, say what came of each, and give the exit code."""
    served, outcomes = hand_in(root, decisions)
    for outcome in outcomes:
        click.echo(outcome.sentence, err=not outcome.applied)
    taken = {outcome.id for outcome in outcomes if outcome.applied}
    applied = [decision.job for decision in decisions if decision.id in taken]
    held: list[str] = []
    if served and goes_on:
        held = _held_again(root, applied)
    elif applied and goes_on:
        with reading(root) as reader:
            waits = bool(reader.jobs(state="claimed"))
        if waits:
            out("Run `platemark sweep`, or start the service, and it goes on.")
    for sentence in held:
        click.echo(sentence, err=True)
    return FAULT if len(applied) < len(outcomes) else HELD if held else 0


def _settling(
    reader: Reader,
    rows: list[JobRow],
    adjust: str | None,
    intent: Literal["perceptual", "relative", "surface"] | None,
    by: str,
    because: str,
) -> list[PictureDecision]:
    """A decision for each picture, or each set, of some jobs."""
    try:
        parse_adjustment(adjust) if adjust is not None else None
    except BadAdjustment as error:
        said = str(error)
        raise UsageError(f"{said[0].upper()}{said[1:]}.") from error
    wanted = sorted(
        ((row, settling_of(reader, row)) for row in rows), key=lambda each: -len(each[1].rows)
    )
    seen: set[tuple[str, str]] = set()
    decisions = []
    for row, settling in wanted:
        # A second job of the same picture would find it settled since it was looked at.
        if settling.pictures <= seen:
            continue
        seen |= settling.pictures
        decisions.append(
            PictureDecision(
                id=str(uuid.uuid4()),
                kind="picture",
                job=row.job,
                expected_seq=newest_seq(reader, settling),
                adjust=adjust,
                intent=intent,
                by=by,
                because=because,
            )
        )
    return decisions


def _chosen(
    reader: Reader, numbers: tuple[str, ...], order: str | None, *, held_only: bool = True
) -> list[JobRow]:
    """The jobs that are meant; by range and by order the held ones, or all but withdrawn ones."""
    state = "held" if held_only else None

    def fits(row: JobRow) -> bool:
        return row.state != "withdrawn"

    rows = chosen_jobs(reader, numbers, order, fits, state)
    if not rows and held_only:
        raise UsageError("No held job fits.", "See `platemark jobs --state held`.")
    if not rows:
        raise UsageError("No job fits.", "See `platemark jobs`.")
    return rows


def chosen_jobs(
    reader: Reader,
    numbers: tuple[str, ...],
    order: str | None,
    fits: Callable[[JobRow], bool],
    state: str | None = None,
) -> list[JobRow]:
    """The jobs that a command names: by number in any state, by range and order those that fit.

    Args:
        reader: The record.
        numbers: As they were typed: `14` or `14-73`.
        order: An order's name.
        fits: Whether one of a range or an order is meant.
        state: Only jobs in this state are of the range or order.

    Raises:
        UsageError: something typed is no job.
    """
    chosen: dict[int, JobRow] = {}
    for text in numbers:
        first, dash, last = text.partition("-")
        if not first.isdigit() or (dash and not last.isdigit()):
            raise UsageError(f"“{text}” is no job; write 14 or 14-73.")
        if not dash:
            chosen[int(first)] = job_row(reader, int(first))
            continue
        within = (row for row in reader.jobs(state=state) if fits(row))
        chosen |= {row.job: row for row in within if int(first) <= row.job <= int(last)}
    if order is not None:
        chosen |= {row.job: row for row in reader.jobs(state=state, order=order) if fits(row)}
    return [chosen[number] for number in sorted(chosen)]


def _held_again(root: Path, answered: list[int]) -> list[str]:
    """Watch answered jobs until each has come to its next state; what holds those held again."""
    deadline = time.monotonic() + NEXT_STATE_WAIT_S
    said: dict[int, str] = {}
    left = answered
    while left and time.monotonic() < deadline:
        with reading(root) as reader:
            rows = [row for job in left if (row := reader.job(job)) is not None]
            for row in rows:
                if row.state == "held":
                    stops = [f for f in findings_of(reader, row) if f["severity"] == "stop"]
                    why = " ".join(finding["message"] for finding in stops)
                    said[row.job] = f"Job {job_number(row.job)} is still held: {why}"
        left = [row.job for row in rows if row.state == "claimed"]
        if left:
            time.sleep(0.1)
    for job in left:
        said_of = f"Job {job_number(job)} is being looked at; see `platemark job {job}`."
        click.echo(said_of)
    return [said[job] for job in sorted(said)]
