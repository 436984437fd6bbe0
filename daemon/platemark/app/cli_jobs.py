"""Commands about jobs: `jobs`, `job`, `retrieve`."""

from __future__ import annotations

import json
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import click

from platemark import durable
from platemark.app.cli_decide import decide
from platemark.app.cli_recall import recall
from platemark.app.coming_words import wait_words
from platemark.app.context import (
    findings_of,
    job_row,
    out,
    out_json,
    print_findings,
    studio_of,
)
from platemark.app.open_studio import reading
from platemark.app.showing import AS_JSON, show_table
from platemark.engine.editions import JobEdition, edition_of
from platemark.engine.picture_decisions import words_of
from platemark.engine.thread import Step, as_plain, is_single, thread_of
from platemark.ledger.keeping import Keeping
from platemark.ledger.read import JobRow, Reader
from platemark.model.errors import DiskFault, UsageError
from platemark.model.job import job_number
from platemark.parcel.bag import TAG_MANIFEST
from platemark.settings.load import find_mistakes

_TICKETS = ("ticket.json", "ticket.html", "ticket.pdf", "changes.txt")


@click.command("jobs")
@click.option("--state", type=click.Choice(
    ["claimed", "examined", "rendered", "parcelled", "delivered", "held", "withdrawn"]
), help="Only those in this state.")  # fmt: skip
@click.option("--order", help="Only this order.")
@AS_JSON
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
        recalled = {each.job for each in reader.recalls()}
        show_table(
            ("job", "state", "picture", "surface", "size", "copies", "order", "parcel"),
            [
                (
                    job_number(row.job),
                    f"{row.state}, recalled" if row.job in recalled else row.state,
                    row.original_name,
                    row.surface,
                    row.size or "",
                    str(row.copies or ""),
                    row.order or "",
                    row.parcel or "",
                )
                for row in rows
            ],
            right=("copies",),
            names=("picture", "order"),
            texts=("order",),
        )


@click.command("job")
@click.argument("number", type=int)
@AS_JSON
@click.pass_obj
def job(studio: str | None, number: int, as_json: bool) -> None:
    """Tell everything about one job."""
    root = studio_of(studio)
    with reading(root) as reader:
        row = job_row(reader, number)
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
        edition = edition_of(reader, row)
        if as_json:
            settled = _settled_json(reader, row)
            steps = [as_plain(step) for step in thread_of(reader, row)]
            told = {
                "settled": settled, "edition": _edition_json(edition), "thread": steps,
                "history": history,
            }  # fmt: skip
            out_json({**_job_json(reader, row), **told})
            return
        settings, _ = find_mistakes(root)
        # What was made before a job was set back is not what it would print now.
        is_made = row.state in ("rendered", "parcelled", "delivered") or row.parcel is not None
        out(f"Job {job_number(number)}  {row.original_name}")
        for label, value in (
            ("state", row.state),
            ("waits", wait_words(settings, row, datetime.now(UTC)) if settings else None),
            ("surface", row.surface),
            ("lab", row.lab),
            ("size", row.size),
            ("copies", row.copies),
            ("purpose", row.purpose),
            ("order", row.order),
            ("edition", edition.words if edition is not None else None),
            ("parcel", row.parcel),
            ("recalled", _recalled_words(reader, row)),
            ("original", row.original_sha256),
            ("print file", row.print_sha256 if is_made else None),
            ("settled", _settled_words(reader, row)),
        ):
            if value is not None:
                out(f"  {label:<11}{value}")
        print_findings(findings_of(reader, row))
        changes = reader.body(row.rendered_seq).get("changes", []) if is_made else []
        if changes:
            out("\nChanges:")
            for change in changes:
                out(f"  {change['text']}")
        _show_thread(thread_of(reader, row, settings), number)
        out("\nWhat happened:")
        for step in history:
            out(f"  {step['at']}  {step['kind']}  ({step['actor']})")


def _edition_json(edition: JobEdition | None) -> dict[str, Any] | None:
    if edition is None:
        return None
    numbers = [{"number": row.number, "state": row.state} for row in edition.numbers]
    return {
        "id": edition.id, "name": edition.name, "of": edition.of, "kind": edition.kind,
        "numbers": numbers,
    }  # fmt: skip


def _show_thread(steps: tuple[Step, ...], number: int) -> None:
    """What hangs together with a job; nothing where that is the job alone."""
    if is_single(steps):
        return
    out("\nThe thread:")
    for step in steps:
        mark = ">" if step.job == number else " "
        by = f"  ({step.by})" if step.by else ""
        out(f"{mark} {step.at[:10]}  {job_number(step.job)}  {step.called}: {step.words}{by}")


@click.command("retrieve")
@click.argument("number", type=int)
@click.option(
    "--to", "folder", required=True, type=click.Path(path_type=Path), metavar="DIR",
    help="Where to; it is made where it is not there.",
)  # fmt: skip
@click.pass_obj
def retrieve(studio: str | None, number: int, folder: Path) -> None:
    """Copy the original, print file, ticket and returned prints' photographs of a job into DIR."""
    root = studio_of(studio)
    with reading(root) as reader:
        row = job_row(reader, number)
        wanted = _wanted(root, reader, row)
        by_rule = {sha256: _left_by_rule(reader, sha256) for _, _, sha256 in wanted}
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
        if not source.is_file() and by_rule[sha256]:
            raise UsageError(
                f"{name} of job {job_number(number)} {by_rule[sha256]}.",
                "Its hash and everything that was done stay in the record: `platemark job`.",
            )
        if not source.is_file():
            raise DiskFault(
                f"{source.name} of job {job_number(number)} is not where the record has it.",
                "Nothing was copied. Put that file back from a backup.",
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
                "The copy was not kept. Put the archive's file back from a backup, and check the "
                "disk.",
            )
        out(f"{target}")
    if row.parcel is not None:
        names = [name for _, name, _ in wanted]
        if f"{row.parcel}-ticket.json" not in names:
            out(f"The tickets of parcel {row.parcel} were removed when words were erased.")
            return
        if f"{row.parcel}-ticket.pdf" not in names:
            out(f"Parcel {row.parcel} has no ticket.pdf; ticket.html says the same.")
        out(
            f"The ticket and changes.txt are those of the whole parcel {row.parcel}: other orders "
            "may stand in them."
        )


COMMANDS = (jobs, job, decide, recall, retrieve)


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
    wanted += [
        (
            archive / photo["sha256"][:2] / f"{photo['sha256']}.{photo['extension']}",
            f"{stem}-returned-{number}.{photo['extension']}",
            photo["sha256"],
        )
        for number, photo in enumerate(_photos(reader, row), 1)
    ]
    parcel = root / "outgoing" / row.lab / row.parcel if row.parcel and row.lab else None
    printed = reader.body(row.rendered_seq).get("print_file")
    if printed is not None:
        sha256 = printed["sha256"]
        wanted.append(
            (
                archive / sha256[:2] / f"{sha256}.{printed['extension']}",
                _name_on_ticket(reader, root, parcel, row.job)
                or f"{stem}-print.{printed['extension']}",
                sha256,
            )
        )
    if parcel is not None:
        wanted += [
            (_of_parcel(reader, root, parcel, name), f"{parcel.name}-{name}", "")
            for name in _papers_of(reader, parcel)
        ]
    return wanted


def _photos(reader: Reader, row: JobRow) -> list[dict[str, str]]:
    """Photographs of a job's prints that came back."""
    returned = reader.entries(job=row.job, kind="returned")
    return [entry.body["photo"] for entry in returned if entry.body.get("photo")]


def _papers_of(reader: Reader, parcel: Path) -> list[str]:
    """The tickets that a parcel was closed with, those left out that are with the lab alone."""
    keeping = Keeping(reader)
    if kept := {paper.name: paper.sha256 for paper in keeping.papers(parcel.name)}:
        there = [name for name in kept if keeping.removed_by(kept[name]) is None]
        return [name for name in _TICKETS if name in there]
    try:
        listed = (parcel / TAG_MANIFEST).read_text("utf-8", "replace")
    except OSError:
        return list(_TICKETS)
    return [name for name in _TICKETS if name != "ticket.pdf" or f"  {name}\n" in listed]


def _of_parcel(reader: Reader, root: Path, parcel: Path, name: str) -> Path:
    """Where a ticket or list of a parcel is: in it, or archived where the parcel left by rule."""
    for paper in Keeping(reader).papers(parcel.name):
        if paper.name == name:
            return root / "archive" / paper.sha256[:2] / f"{paper.sha256}.{paper.extension}"
    return parcel / name


def _left_by_rule(reader: Reader, sha256: str) -> str:
    """When content left the archive by rule, as the end of a sentence; empty where it did not."""
    entry = Keeping(reader).removed_by(sha256) if sha256 else None
    return f"left the archive by rule on {entry.at[:10]}" if entry is not None else ""


def _name_on_ticket(reader: Reader, root: Path, parcel: Path | None, job: int) -> str:
    """The name under which the lab has a job's print file; empty where no ticket says it."""
    if parcel is None:
        return ""
    try:
        ticket = _of_parcel(reader, root, parcel, "ticket.json")
        tickets = json.loads(ticket.read_bytes())["tickets"]
        names = [ticket["print_file"]["path"] for ticket in tickets if ticket["job"] == job]
    except (OSError, ValueError, KeyError, TypeError):
        return ""
    return Path(names[0]).name if names else ""


def _recalled_json(reader: Reader, row: JobRow) -> dict[str, Any] | None:
    """How a job was called back; null where it was not."""
    recall = reader.recall(row.job)
    entry = reader.entry(recall.seq) if recall is not None else None
    if recall is None or entry is None:
        return None
    notice = reader.parcel(recall.notice) if recall.notice is not None else None
    return {
        "at": entry.at,
        "by": entry.actor,
        "how": recall.how,
        "parcel": recall.parcel,
        "notice": recall.notice,
        "notice_delivered": notice is not None and notice.state == "delivered",
    }


def _recalled_words(reader: Reader, row: JobRow) -> str | None:
    """The same for people."""
    told = _recalled_json(reader, row)
    if told is None:
        return None
    who = f"by {told['by']} on {told['at'][:10]}"
    if told["how"] == "taken-back":
        return f"{who}, before parcel {told['parcel']} had left; nothing was sent"
    if told["notice"] is None:
        return f"{who}; the notice to the lab is not made yet"
    there = "delivered" if told["notice_delivered"] else "on its way, or to be fetched"
    return f"{who}; the lab is told by {told['notice']} ({there})"


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
        "recalled": _recalled_json(reader, row),
        "findings": [
            {key: finding[key] for key in ("code", "severity", "message", "next")}
            for finding in findings_of(reader, row)
        ],
    }
