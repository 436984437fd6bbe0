"""Commands for the month's end and for years later: `month`, `audit`, `erase`."""

from __future__ import annotations

import csv
import io
import sys
import uuid
from dataclasses import asdict
from datetime import UTC, datetime
from pathlib import Path

import click

from platemark import durable
from platemark.app.cli_decide import chosen_jobs
from platemark.app.context import FAULT, out, out_json, plain_cell, studio_of
from platemark.app.hand_in import hand_in
from platemark.app.open_studio import reading
from platemark.app.page.words import count_words
from platemark.app.showing import AS_JSON, show_table, telling
from platemark.engine.audit import Audit, plain_audit
from platemark.engine.audit import audit as look_at
from platemark.engine.audit_paper import audit_paper, verdict
from platemark.engine.erasing import why_open
from platemark.engine.month import (
    COLUMNS,
    MonthReport,
    cells_of,
    month_paper,
    report_month,
    together,
)
from platemark.engine.papers import draw_paper
from platemark.intake.answers import is_reason
from platemark.ledger.read import JobRow, Reader
from platemark.model.decision import EraseDecision, SeenJob
from platemark.model.errors import UsageError
from platemark.model.job import job_number
from platemark.model.paper import Paper
from platemark.settings.load import load_settings


@click.command("month")
@click.argument("name", metavar="YYYY-MM")
@click.option(
    "--csv", "csv_file", metavar="FILE", type=click.Path(path_type=Path),
    help="Write the table as CSV, for a spreadsheet.",
)  # fmt: skip
@click.option(
    "--pdf", "pdf_file", metavar="FILE", type=click.Path(path_type=Path),
    help="Write the table as PDF, with its sums.",
)  # fmt: skip
@AS_JSON
@click.pass_obj
def month(
    studio: str | None, name: str, csv_file: Path | None, pdf_file: Path | None, as_json: bool
) -> None:
    """List what was sent to the labs in a month, and what was called back.

    One line a job: order, lab, product, size, copies, why it was printed again and in whose place,
    parcel, date. A job counts in the month in which its parcel was closed.
    """
    root = studio_of(studio)
    settings = load_settings(root)
    with reading(root) as reader:
        report = report_month(reader, settings, name, datetime.now(UTC))
    if csv_file is not None:
        _write_csv(report, csv_file)
    if pdf_file is not None:
        _write_pdf(month_paper(report), pdf_file)
    if as_json:
        out_json(
            {
                "month": report.month.name,
                "time_zone": report.month.zone.key,
                "lines": [asdict(line) for line in report.lines],
                "totals": [asdict(total) for total in report.totals],
            }
        )
    elif csv_file is None and pdf_file is None:
        _show(report)
    else:
        for path in filter(None, (csv_file, pdf_file)):
            out(f"{path}: {report.month.words}, {together(report)}.")


def _show(report: MonthReport) -> None:
    out(f"{report.month.words}: {together(report)} sent.")
    if not report.lines:
        return
    headings = [heading.replace("_", " ") for heading in COLUMNS]
    show_table(
        headings,
        [cells_of(line) for line in report.lines],
        right=("copies",),
        names=("picture",),
        texts=("order", "picture", "lab", "product", "reason"),
    )


def _write_csv(report: MonthReport, target: Path) -> None:
    text = io.StringIO()
    writer = csv.writer(text)
    writer.writerow(COLUMNS)
    for line in report.lines:
        writer.writerow([plain_cell(cell) for cell in cells_of(line)])
    # Spreadsheets take a file for UTF-8 only where it begins with this mark.
    _new_file(target)
    durable.write_new(target, text.getvalue().encode("utf-8-sig", "replace"))


def _write_pdf(paper: Paper, target: Path) -> None:
    _new_file(target)
    draw_paper(paper, target)


def _new_file(target: Path) -> None:
    """Refuse a place where a file cannot be made.

    Raises:
        UsageError: there is one already, or no such folder.
    """
    if target.is_symlink() or target.exists():
        raise UsageError(
            f"{target} is already there; nothing was overwritten.", "Choose another name."
        )
    if not target.absolute().parent.is_dir():
        raise UsageError(
            f"There is no folder {target.absolute().parent}.", "Make it, or name another."
        )


@click.command("audit")
@click.argument("name", metavar="PARCEL|YYYY-MM")
@click.option(
    "--to", "target", metavar="FILE.pdf", type=click.Path(path_type=Path),
    help="Write the whole report as PDF.",
)  # fmt: skip
@AS_JSON
@click.pass_obj
def audit(studio: str | None, name: str, target: Path | None, as_json: bool) -> None:
    """Prove what was sent: one parcel, or all of a month.

    The whole record is followed from its first entry, tickets are held against it, and archived
    files are read again. It says what was proved and what was not. Exit code 1 where something is
    not what the record says.
    """
    root = studio_of(studio)
    settings = load_settings(root)
    if target is not None:
        _new_file(target)
    with reading(root) as reader, telling() as tell:
        seen = look_at(reader, settings, root, name, datetime.now(UTC), tell)
    if target is not None:
        _write_pdf(audit_paper(seen), target)
    if as_json:
        out_json(plain_audit(seen))
    else:
        _tell(seen, target)
    sys.exit(0 if seen.holds else FAULT)


def _tell(seen: Audit, target: Path | None) -> None:
    out(f"Audit of {seen.about}: {verdict(seen)}")
    out(f"The record: {seen.head.seq} entries, newest hash {seen.head.hash}.")
    for fault in seen.record_faults:
        out(f"NOT SO  {fault.sentence}")
    for parcel in seen.parcels:
        jobs = count_words(len(parcel.jobs), "job", "jobs")
        out(f"{parcel.row.name} for {parcel.row.lab}, {parcel.row.state}, {jobs}")
        for sentence in (parcel.ticket, parcel.bag):
            out(f"  {sentence}")
        for wrong in parcel.faults:
            out(f"  NOT SO  {wrong}")
    if not seen.parcels and not seen.record_faults:
        out("No parcel was closed then.")
    for heading, sentences in (("Proved:", seen.proved), ("Not proved:", seen.not_proved)):
        if sentences:
            out(heading)
        for sentence in sentences:
            out(f"- {sentence}")
    if target is not None:
        out(f"The whole report is in {target}.")


@click.command("erase")
@click.option("--order", help="Every job of this order.")
@click.option("--job", "job", type=int, metavar="N", help="This job alone.")
@click.option("--by", required=True, help="Your name, as in studio.toml: a photographer's.")
@click.option("--because", required=True, help="Why; without the client's name, as it stays.")
@click.pass_obj
def erase(studio: str | None, order: str | None, job: int | None, by: str, because: str) -> None:
    """Erase a client's personal words: order, address, notes, remarks, reasons.

    They stand beside the record's chain, which verifies as before. Digests lose them too, and the
    tickets of the parcels they were in are removed. It cannot be undone. Only jobs that are
    delivered or withdrawn are taken. What is not reached is said.
    """
    if (order is None) == (job is None):
        raise UsageError("Say --order or --job, one of them.")
    if not is_reason(because):
        raise UsageError(f"“{because}” says no reason.", "Say after --because why.")
    root = studio_of(studio)
    with reading(root) as reader:
        rows = _to_erase(reader, root, order, job)
    decision = EraseDecision(
        id=str(uuid.uuid4()),
        kind="erase",
        jobs=tuple(SeenJob(row.job, row.moved_seq) for row in rows),
        by=by,
        because=because,
    )
    _, (outcome,) = hand_in(root, [decision])
    said, mark, stays = outcome.sentence.partition(" Not reached: ")
    out(said, err=not outcome.applied)
    if mark:
        out("\n".join(("Not reached:", *(f"- {each}" for each in stays.split("; ")))))
    sys.exit(0 if outcome.applied else FAULT)


def _to_erase(reader: Reader, root: Path, order: str | None, job: int | None) -> list[JobRow]:
    numbers = (str(job),) if job is not None else ()
    rows = chosen_jobs(reader, numbers, order, lambda _: True)
    if not rows:
        raise UsageError(f"No job belongs to the order “{order}”.", "See `platemark jobs`.")
    open_still = [row for row in rows if why_open(reader, root, row) is not None]
    if open_still:
        numbered = ", ".join(f"{job_number(row.job)} ({row.state})" for row in open_still)
        raise UsageError(
            f"Not every job is delivered or withdrawn: {numbered}. The labs still need what their "
            "requests say.",
            "Nothing was erased. Wait until they are delivered, or withdraw them; what a lab "
            "fetched, take out of outgoing/.",
        )
    return rows


COMMANDS = (month, audit, erase)
