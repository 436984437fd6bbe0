"""Commands about pictures and jobs: `examine`, `jobs`, `job`, `decide`, `retrieve`."""

from __future__ import annotations

import json
import sys
import time
import uuid
from collections.abc import Iterable, Mapping
from datetime import UTC, datetime
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

import click
from rich.table import Table

from platemark import durable
from platemark.app.context import FAULT, HELD, console, out, out_json, studio_of
from platemark.app.hand_in import hand_in
from platemark.app.open_studio import reading
from platemark.engine.look_at import Examined, look_at
from platemark.intake.answers import is_reason
from platemark.ledger.read import JobRow, Reader
from platemark.model.decision import Decision
from platemark.model.errors import DiskFault, StudioMissing, UsageError
from platemark.model.geometry import describe_ppi
from platemark.model.job import job_number
from platemark.model.plain import to_plain
from platemark.model.request import READERS
from platemark.model.units import shown
from platemark.settings.load import load_settings

NEXT_STATE_WAIT_S = 6
"""After its answer was taken, a job is watched this long for what comes of it."""
LONGEST_CELL = 48


@click.command("examine")
@click.argument("file", type=click.Path(path_type=Path))
@click.option("--surface", required=True, help="The surface it is meant for.")
@click.option("--size", help="Like 16x20in, 40x60cm, A3 or “long 60cm”.")
@click.option("--lab", help="The lab, where more than one prints on that surface.")
@click.option("--set", "settings", multiple=True, metavar="KEY=VALUE", help="Any other request.")
@click.option("--json", "as_json", is_flag=True, help="For a program.")
@click.pass_obj
def examine(
    studio: str | None,
    file: Path,
    surface: str,
    size: str | None,
    lab: str | None,
    settings: tuple[str, ...],
    as_json: bool,
) -> None:
    """Say what would be found in FILE and what would be done; nothing is written."""
    root = studio_of(studio)
    loaded = load_settings(root)
    said = _pairs(settings)
    said |= {key: value for key, value in (("size", size), ("lab", lab)) if value is not None}
    today = datetime.now(UTC).astimezone(ZoneInfo(loaded.studio.time_zone)).date()
    try:
        with reading(root) as reader:
            examined = look_at(root, loaded, reader, file, surface, said, today)
    except StudioMissing:
        examined = look_at(root, loaded, None, file, surface, said, today)
    if as_json:
        out_json(_examined_json(examined))
    else:
        _print_examined(examined)
    sys.exit(HELD if examined.plan is None else 0)


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
            out_json({**_job_json(reader, row), "history": history})
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
        ):
            if value is not None:
                out(f"  {label:<11}{value}")
        _print_findings(_findings(reader, row))
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
    by: str,
    because: str,
) -> None:
    """Answer held jobs: one (14), a range (14-73), several, or an order."""
    if not (accept or settings or withdraw):
        raise UsageError("Nothing is decided.", "Say --accept CODE, --set key=value or --withdraw.")
    if withdraw and (accept or settings):
        raise UsageError("A job is either withdrawn or goes on, not both.")
    if not is_reason(because):
        raise UsageError(f"“{because}” says no reason.", "Say after --because why.")
    root = studio_of(studio)
    pairs = tuple(_pairs(settings).items())
    with reading(root) as reader:
        rows = _chosen(reader, numbers, order)
    decisions = [
        Decision(
            id=str(uuid.uuid4()),
            kind="decide",
            job=row.job,
            expected_seq=row.moved_seq,
            accept=accept,
            settings=pairs,
            withdraw=withdraw,
            by=by,
            because=because,
        )
        for row in rows
    ]
    served, outcomes = hand_in(root, decisions)
    for outcome in outcomes:
        click.echo(outcome.sentence, err=not outcome.applied)
    taken = {outcome.id for outcome in outcomes if outcome.applied}
    applied = [decision.job for decision in decisions if decision.id in taken]
    held = []
    if served and not withdraw:
        held = _held_again(root, applied)
    elif applied and not withdraw:
        out("Run `platemark sweep`, or start the service, and it goes on.")
    for sentence in held:
        click.echo(sentence, err=True)
    sys.exit(FAULT if len(applied) < len(outcomes) else HELD if held else 0)


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


COMMANDS = (examine, jobs, job, decide, retrieve)


def _short(text: str) -> str:
    """Text for a table, its middle left out where it is long: names differ at their ends."""
    if len(text) <= LONGEST_CELL:
        return text
    half = (LONGEST_CELL - 1) // 2
    return f"{text[:half]}…{text[-half:]}"


def _pairs(settings: Iterable[str]) -> dict[str, str]:
    pairs: dict[str, str] = {}
    for setting in settings:
        key, equals, value = setting.partition("=")
        key = key.strip().replace("-", "_")
        if not equals or key not in READERS:
            raise UsageError(
                f"“{setting}” is not a request.", "Write it like size=16x20in or fit=crop."
            )
        pairs[key] = value.strip()
    return pairs


def _row(reader: Reader, number: int) -> JobRow:
    row = reader.job(number)
    if row is None:
        raise UsageError(f"There is no job {job_number(number)}.")
    return row


def _chosen(reader: Reader, numbers: tuple[str, ...], order: str | None) -> list[JobRow]:
    chosen: dict[int, JobRow] = {}
    for text in numbers:
        first, dash, last = text.partition("-")
        if not first.isdigit() or (dash and not last.isdigit()):
            raise UsageError(f"“{text}” is no job; write 14 or 14-73.")
        if not dash:
            chosen[int(first)] = _row(reader, int(first))
            continue
        held = reader.jobs(state="held")
        chosen |= {row.job: row for row in held if int(first) <= row.job <= int(last)}
    if order is not None:
        chosen |= {row.job: row for row in reader.jobs(state="held", order=order)}
    if not chosen:
        raise UsageError("No held job fits.", "See `platemark jobs --state held`.")
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


def _examined_json(examined: Examined) -> dict[str, Any]:
    known, plan = examined.known, examined.plan
    measures: dict[str, Any] = {"facts": to_plain(known.facts)}
    if known.layout is not None:
        measures["native_ppi"] = shown(known.layout.native_ppi, 2)
        measures["aspect_error_percent"] = shown(known.layout.aspect_error * 100, 3)
    if known.measures is not None:
        measures |= to_plain(known.measures)
    return {
        "surface": known.surface.id,
        "lab": known.lab.id if known.lab is not None else None,
        "findings": [to_plain(finding) for finding in examined.findings],
        "plan": {**to_plain(plan), "ppi": shown(plan.ppi, 3)} if plan is not None else None,
        "measures": measures,
    }


def _print_examined(examined: Examined) -> None:
    known, layout, plan = examined.known, examined.known.layout, examined.plan
    facts = known.facts
    profile = facts.profile.description if facts.profile is not None else "no profile"
    out(f"{known.name}: {facts.upright_width} × {facts.upright_height} px, {facts.bits} bit, "
        f"{profile}")  # fmt: skip
    lab = known.lab.name if known.lab is not None else "no lab"
    out(f"on {known.surface.name}, by {lab}")
    if layout is not None:
        out(f"at {layout.size}: {describe_ppi(layout.native_ppi)}")
    _print_findings([to_plain(finding) for finding in examined.findings])
    if plan is None:
        out("\nIt would be held.")
        return
    out(
        f"\nIt would go through: {plan.width_px} × {plan.height_px} px at "
        f"{describe_ppi(plan.ppi)}, edge {plan.edge}, {plan.intent}, into {plan.output_space}."
    )


def _print_findings(findings: Iterable[Mapping[str, Any]]) -> None:
    for finding in findings:
        out(f"\n{finding['severity'].upper()}  {finding['code']}")
        out(f"  {finding['message']}")
        if finding["next"]:
            out(f"  {finding['next']}")
