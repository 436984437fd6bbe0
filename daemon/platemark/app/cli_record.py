"""Commands about the record: `ledger …`."""

from __future__ import annotations

import csv
import json
import sys
from dataclasses import asdict
from datetime import date
from pathlib import Path
from typing import Any

import click

from platemark.app import cli_rescue
from platemark.app.context import FAULT, Group, out, out_json, plain_cell, studio_of
from platemark.app.open_studio import reading
from platemark.app.page.words import count_words
from platemark.app.showing import AS_JSON, show_table, telling
from platemark.engine.prove import prove_files, prove_ticket
from platemark.ledger.chain import Entry, Fault
from platemark.ledger.erasing import erased_by_entries
from platemark.ledger.proof import find_faults
from platemark.ledger.read import Reader
from platemark.model.errors import UsageError
from platemark.model.job import job_number
from platemark.model.plain import canonical
from platemark.model.ticket import Witness

KINDS = (
    "archive-damaged", "archive-mended", "archive-verified", "asked-anew", "backed-up", "claimed",
    "decided", "decision-refused", "delivered", "drop-moved", "edition-destroyed",
    "edition-sold", "edition-unsold", "edition-void", "examined", "files-found", "held",
    "job-read-back", "let-go", "looked-again", "morning-told", "morning-written",
    "parcel-cleared", "parcel-closed",
    "parcel-delivered", "parcel-given-up", "parcel-let-out", "parcel-read-back", "parcel-sealed",
    "parcel-taken-back", "parcel-verified-at-lab", "parcelled", "picture-settled",
    "profile-admitted", "profile-refused", "profile-retired", "profile-tried", "recalled",
    "record-restored", "removal-begun", "removal-done", "rendered", "reparcelled", "rescued",
    "set-back", "sheet-let-go", "sheet-read", "superseded", "taken-changed", "unrendered",
    "upkeep-begun", "upkeep-done", "withdrawn", "words-erased",
)  # fmt: skip
"""Every kind of entry that the service writes."""


@click.group("ledger", cls=Group)
def ledger() -> None:
    """The record: proved, searched, exported."""


@ledger.command("verify")
@click.option(
    "--against",
    type=click.Path(exists=True, dir_okay=False, path_type=Path),
    metavar="TICKET.JSON",
    help="Also hold a ticket against the record: its witness, and all of it inside its parcel.",
)
@click.option("--files", is_flag=True, help="Also read all archived files and closed parcels.")
@AS_JSON
@click.pass_obj
def verify(studio: str | None, against: Path | None, files: bool, as_json: bool) -> None:
    """Prove the whole record: file, chain, words, tables; exit code 1 where something is wrong."""
    root = studio_of(studio)
    with reading(root) as reader, telling() as tell:
        head = reader.head()
        faults = find_faults(reader, tell)
        # A broken record proves nothing about anything else.
        asked = []
        said = [] if faults else [*_less_than_it_was(reader), *_erased(reader)]
        if not faults and against is not None:
            asked.append(prove_ticket(reader, root, against))
        if not faults and files:
            asked.append(prove_files(reader, root, tell))
    faults += [fault for compared in asked for fault in compared.faults]
    said += [compared.said for compared in asked if not compared.faults]
    if as_json:
        plain = [asdict(fault) for fault in faults]
        out_json(
            {
                "holds": not faults,
                "entries": head.seq,
                "witness": {"seq": head.seq, "hash": head.hash},
                "fault": plain[0] if plain else None,
                "faults": plain,
                "said": said,
            }
        )
    else:
        _tell_proof(head, faults, said)
    sys.exit(0 if not faults else FAULT)


@ledger.command("show")
@click.option("--job", type=int, help="Only this job.")
@click.option("--kind", help="Only entries of this kind.")
@click.option("--since", metavar="DATE", help="Only from this UTC date on.")
@click.option("--search", metavar="TEXT", help="Only entries that contain this text.")
@AS_JSON
@click.pass_obj
def show(
    studio: str | None,
    job: int | None,
    kind: str | None,
    since: str | None,
    search: str | None,
    as_json: bool,
) -> None:
    """Show entries, oldest first."""
    if since is not None and not _is_day(since):
        raise UsageError(f"“{since}” is no date.", "Write it like 2026-11-25.")
    with reading(studio_of(studio)) as reader:
        found = [
            entry
            for entry in reader.entries(job=job, kind=kind)
            if (since is None or entry.at >= since) and _contains(reader, entry, search)
        ]
        if not found and kind is not None and kind not in KINDS:
            raise UsageError(f"There is no kind “{kind}”.", f"The kinds are: {', '.join(KINDS)}.")
        if as_json:
            out_json([_entry_json(reader, entry) for entry in found])
            return
        if not found:
            out("No such entries.")
            return
    show_table(
        ("entry", "at", "kind", "job", "by"),
        [
            (
                str(entry.seq),
                entry.at,
                entry.kind,
                job_number(entry.job) if entry.job is not None else "",
                entry.actor,
            )
            for entry in found
        ],
        right=("entry",),
    )


@ledger.command("export")
@click.option(
    "--format", "form", type=click.Choice(["jsonl", "csv"]), default="jsonl", show_default=True,
    help="The form of it.",
)  # fmt: skip
@click.pass_obj
def export(studio: str | None, form: str) -> None:
    """Write every entry to standard output; JSON Lines hold what the hashes are made of."""
    with reading(studio_of(studio)) as reader:
        if form == "jsonl":
            for entry in reader.entries():
                click.echo(json.dumps(_exact_json(entry), ensure_ascii=False))
            return
        writer = csv.writer(sys.stdout)
        writer.writerow(["seq", "at", "job", "kind", "actor", "hash", "body"])
        for entry in reader.entries():
            body = canonical(reader.filled(entry.body)).decode()
            row = [entry.seq, entry.at, entry.job, entry.kind, entry.actor, entry.hash.hex(), body]
            writer.writerow([plain_cell(cell) for cell in row])


for command in cli_rescue.COMMANDS:
    ledger.add_command(command)

COMMANDS = (ledger,)


def _tell_proof(head: Witness, faults: list[Fault], said: list[str]) -> None:
    if not faults:
        out(f"The record holds: {head.seq} entries, newest hash {head.hash}.")
    for number, fault in enumerate(faults):
        out(f"{'' if number else 'THIS DOES NOT HOLD. '}{fault.sentence}")
    for sentence in said:
        out(sentence)
    if faults:
        out(
            "No picture is lost by this. Change nothing and keep ledger.sqlite3 as it is. Compare "
            "it and the\nfiles named above with a backup, and the record with tickets that are "
            "elsewhere (--against).\nWhere no whole record is left, `platemark ledger rescue` "
            "saves what holds."
        )


def _less_than_it_was(reader: Reader) -> list[str]:
    """Say of a record that was lost once what it is since then."""
    return [
        f"The record was lost once: entry {entry.seq} of {entry.at[:10]} says what was read "
        "back from the files."
        for entry in reader.entries(kind="record-restored")
        if entry.body.get("how") == "lost"
    ]


def _erased(reader: Reader) -> list[str]:
    """Say that words are not there any more, and that nothing is wrong with that."""
    erased = erased_by_entries(reader)
    if not erased:
        return []
    entries = len(set(erased.values()))
    return [
        f"{count_words(len(erased), 'personal text was', 'personal texts were')} erased on request "
        f"({entries} "
        f"{'entry says' if entries == 1 else 'entries say'} so); the chain holds without them."
    ]


def _is_day(text: str) -> bool:
    try:
        return date.fromisoformat(text).isoformat() == text
    except ValueError:
        return False


def _contains(reader: Reader, entry: Entry, text: str | None) -> bool:
    if text is None:
        return True
    body = json.dumps(reader.filled(entry.body), ensure_ascii=False)
    return text.casefold() in body.casefold()


def _entry_json(reader: Reader, entry: Entry) -> dict[str, Any]:
    return {**_exact_json(entry), "body": reader.filled(entry.body)}


def _exact_json(entry: Entry) -> dict[str, Any]:
    return {
        "seq": entry.seq,
        "at": entry.at,
        "job": entry.job,
        "kind": entry.kind,
        "actor": entry.actor,
        "body": entry.body,
        "previous": entry.previous.hex(),
        "hash": entry.hash.hex(),
    }
