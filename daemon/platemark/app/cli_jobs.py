"""Commands about jobs: `jobs`, `job`, `decide`, `retrieve`."""

from __future__ import annotations

import json
import sys
import time
import uuid
from pathlib import Path
from typing import Any, Literal

import click
from rich.table import Table

from platemark import durable
from platemark.app.context import (
    FAULT,
    HELD,
    console,
    out,
    out_json,
    pairs,
    print_findings,
    studio_of,
)
from platemark.app.hand_in import hand_in
from platemark.app.open_studio import reading
from platemark.engine.picture_decisions import newest_seq, settling_of, words_of
from platemark.intake.answers import is_reason
from platemark.ledger.read import JobRow, Reader
from platemark.model.adjusting import EXAMPLE, NONE, BadAdjustment, parse_adjustment
from platemark.model.decision import Decision, PictureDecision
from platemark.model.errors import DiskFault, UsageError
from platemark.model.job import job_number

NEXT_STATE_WAIT_S = 6
"""After its answer was taken, a job is watched this long for what comes of it."""
LONGEST_CELL = 48


@click.command("jobs")
@click.option("--state", type=click.Choice(
    ["claimed", "examined", "rendered", "parcelled", "delivered", "held", "withdrawn"]
))  # fmt: skip
@click.option("--order", help="Only this order.")
@click.option("--json", "as_json", is_flag=True, help="For a program.")
@click.pass_obj
def jobs(studio: str | None, state: str | None, order: str | None, as_json: bool) -> None:
    """List the jobs."""
    with reading(studio_of(studio)) as reader:
        rows = reader.jobs(state=state, order=order)
        if as_json:
            out_json([_job_json(reader, row) for row in rows])
            return
        if not rows:
            out("No jobs.")
            return
        table = Table(box=None, pad_edge=False)
        for heading in ("job", "state", "picture", "surface", "size", "copies", "order", "parcel"):
            table.add_column(heading, overflow="fold")
        for row in rows:
            table.add_row(
                job_number(row.job),
                row.state,
                _short(row.original_name),
                row.surface,
                row.size or "",
                str(row.copies or ""),
                _short(row.order or ""),
                row.parcel or "",
            )
        console().print(table)


@click.command("job")
@click.argument("number", type=int)
@click.option("--json", "as_json", is_flag=True, help="For a program.")
@click.pass_obj
def job(studio: str | None, number: int, as_json: bool) -> None:
    """Tell everything about one job."""
    with reading(studio_of(studio)) as reader:
        row = _row(reader, number)
        history = [
            {
                "seq": entry.seq,
                "at": entry.at,
                "kind": entry.kind,
                "actor": entry.actor,
                "body": reader.filled(entry.body),
            }
            for entry in reader.entries(job=number)
        ]
        if as_json:
            settled = _settled_json(reader, row)
            out_json({**_job_json(reader, row), "settled": settled, "history": history})
            return
        out(f"Job {job_number(number)}  {row.original_name}")
        for label, value in (
            ("state", row.state),
            ("surface", row.surface),
            ("lab", row.lab),
            ("size", row.size),
            ("copies", row.copies),
            ("purpose", row.purpose),
            ("order", row.order),
            ("parcel", row.parcel),
            ("original", row.original_sha256),
            ("print file", row.print_sha256),
            ("settled", _settled_words(reader, row)),
        ):
            if value is not None:
                out(f"  {label:<11}{value}")
        print_findings(_findings(reader, row))
        changes = reader.body(row.rendered_seq).get("changes", [])
        if changes:
            out("\nChanges:")
            for change in changes:
                out(f"  {change['text']}")
        out("\nWhat happened:")
        for step in history:
            out(f"  {step['at']}  {step['kind']}  ({step['actor']})")


@click.command("decide")
@click.argument("numbers", nargs=-1, metavar="N…")
@click.option("--order", help="Every held job of this order.")
@click.option("--accept", multiple=True, metavar="CODE", help="A finding to accept.")
@click.option("--set", "settings", multiple=True, metavar="KEY=VALUE", help="A better request.")
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
            "Nothing is decided.",
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


@click.command("retrieve")
@click.argument("number", type=int)
@click.option("--to", "folder", required=True, type=click.Path(path_type=Path), metavar="DIR")
@click.pass_obj
def retrieve(studio: str | None, number: int, folder: Path) -> None:
    """Copy the original, print file and ticket of a job into DIR."""
    root = studio_of(studio)
    with reading(root) as reader:
        row = _row(reader, number)
        wanted = _wanted(root, reader, row)
    try:
        folder.mkdir(parents=True, exist_ok=True)
    except FileExistsError as error:
        raise UsageError(f"{folder} is not a folder; name another.") from error
    except OSError as error:
        raise UsageError(
            f"{folder} cannot be made: {error.strerror}.", "Name another folder."
        ) from error
    for source, name, sha256 in wanted:
        target = folder / name
        if not source.is_file():
            raise DiskFault(
                f"{source.name} of job {job_number(number)} is not where the record has it.",
                "Restore the archive from a backup.",
            )
        try:
            copied = durable.copy_out(source, target)
        except FileExistsError as error:
            raise UsageError(
                f"{target} is already there; nothing was overwritten.", "Choose another folder."
            ) from error
        if sha256 and copied != sha256:
            raise DiskFault(
                f"{name} no longer has the hash that the record has.",
                "The archive is damaged there; restore that file from a backup.",
            )
        out(f"{target}")
    if row.parcel is not None:
        out(
            f"The ticket and changes.txt are those of the whole parcel {row.parcel}: other orders "
            "may stand in them."
        )


COMMANDS = (jobs, job, decide, retrieve)


def _short(text: str) -> str:
    """Text for a table, its middle left out where it is long: names differ at their ends."""
    if len(text) <= LONGEST_CELL:
        return text
    half = (LONGEST_CELL - 1) // 2
    return f"{text[:half]}…{text[-half:]}"


def _row(reader: Reader, number: int) -> JobRow:
    row = reader.job(number)
    if row is None:
        raise UsageError(f"There is no job {job_number(number)}.")
    return row


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
        raise UsageError(f"{error}.") from error
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
    chosen: dict[int, JobRow] = {}
    state = "held" if held_only else None
    for text in numbers:
        first, dash, last = text.partition("-")
        if not first.isdigit() or (dash and not last.isdigit()):
            raise UsageError(f"“{text}” is no job; write 14 or 14-73.")
        if not dash:
            chosen[int(first)] = _row(reader, int(first))
            continue
        within = (row for row in reader.jobs(state=state) if row.state != "withdrawn")
        chosen |= {row.job: row for row in within if int(first) <= row.job <= int(last)}
    if order is not None:
        of_order = reader.jobs(state=state, order=order)
        chosen |= {row.job: row for row in of_order if row.state != "withdrawn"}
    if not chosen and held_only:
        raise UsageError("No held job fits.", "See `platemark jobs --state held`.")
    if not chosen:
        raise UsageError("No job fits.", "See `platemark jobs`.")
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
                    stops = [f for f in _findings(reader, row) if f["severity"] == "stop"]
                    why = " ".join(finding["message"] for finding in stops)
                    said[row.job] = f"Job {job_number(row.job)} is still held: {why}"
        left = [row.job for row in rows if row.state == "claimed"]
        if left:
            time.sleep(0.1)
    for job in left:
        said_of = f"Job {job_number(job)} is being looked at; see `platemark job {job}`."
        click.echo(said_of)
    return [said[job] for job in sorted(said)]


def _wanted(root: Path, reader: Reader, row: JobRow) -> list[tuple[Path, str, str]]:
    archive = root / "archive"
    original = reader.body(row.claimed_seq)["original"]
    sha256 = row.original_sha256
    stem = job_number(row.job)
    wanted = [
        (
            archive / sha256[:2] / f"{sha256}.{original['extension']}",
            f"{stem}-original.{original['extension']}",
            sha256,
        )
    ]
    parcel = root / "outgoing" / row.lab / row.parcel if row.parcel and row.lab else None
    printed = reader.body(row.rendered_seq).get("print_file")
    if printed is not None:
        sha256 = printed["sha256"]
        wanted.append(
            (
                archive / sha256[:2] / f"{sha256}.{printed['extension']}",
                _name_on_ticket(parcel, row.job) or f"{stem}-print.{printed['extension']}",
                sha256,
            )
        )
    if parcel is not None:
        wanted += [
            (parcel / name, f"{parcel.name}-{name}", "")
            for name in ("ticket.json", "ticket.html", "changes.txt")
        ]
    return wanted


def _name_on_ticket(parcel: Path | None, job: int) -> str:
    """The name under which the lab has a job's print file; empty where no ticket says it."""
    if parcel is None:
        return ""
    try:
        tickets = json.loads((parcel / "ticket.json").read_bytes())["tickets"]
        names = [ticket["print_file"]["path"] for ticket in tickets if ticket["job"] == job]
    except (OSError, ValueError, KeyError, TypeError):
        return ""
    return Path(names[0]).name if names else ""


def _findings(reader: Reader, row: JobRow) -> list[dict[str, Any]]:
    seqs = [seq for seq in (row.examined_seq, row.held_seq) if seq is not None]
    found: list[dict[str, Any]] = reader.body(max(seqs)).get("findings", []) if seqs else []
    return found


def _settled_words(reader: Reader, row: JobRow) -> str | None:
    """What stands settled for a job's picture on its surface, for people."""
    settled = reader.settled(row.original_sha256, row.surface)
    entry = reader.entry(settled.seq) if settled is not None else None
    if settled is None or entry is None:
        return None
    return f"{words_of(settled)}; version {settled.version}, by {entry.actor} on {entry.at[:10]}"


def _settled_json(reader: Reader, row: JobRow) -> dict[str, Any] | None:
    settled = reader.settled(row.original_sha256, row.surface)
    entry = reader.entry(settled.seq) if settled is not None else None
    if settled is None or entry is None:
        return None
    return {
        "version": settled.version,
        "adjust": settled.adjust,
        "intent": settled.intent,
        "by": entry.actor,
        "at": entry.at,
    }


def _job_json(reader: Reader, row: JobRow) -> dict[str, Any]:
    return {
        "job": row.job,
        "state": row.state,
        "surface": row.surface,
        "lab": row.lab,
        "size": row.size,
        "copies": row.copies,
        "purpose": row.purpose,
        "order": row.order,
        "set": row.set,
        "due": row.due,
        "original_name": row.original_name,
        "original_sha256": row.original_sha256,
        "print_sha256": row.print_sha256,
        "parcel": row.parcel,
        "findings": [
            {key: finding[key] for key in ("code", "severity", "message", "next")}
            for finding in _findings(reader, row)
        ],
    }
