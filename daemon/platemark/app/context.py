"""What all commands share: the studio they are for, how they print, their exit codes."""

from __future__ import annotations

import json
from collections.abc import Iterable, Mapping
from pathlib import Path
from typing import Any

import click

from platemark.app.open_studio import find_studio
from platemark.intake.plain_text import does_harm, harmless
from platemark.ledger.read import JobRow, Reader
from platemark.model.errors import UsageError
from platemark.model.job import job_number
from platemark.model.request import READERS

FAULT = 1
USAGE = 2
HELD = 3


class Group(click.Group):
    """Commands, of which its help tells the whole first sentence, on as many lines as it needs."""

    def format_commands(self, ctx: click.Context, formatter: click.HelpFormatter) -> None:
        """Write what each command does."""
        commands = ((name, self.get_command(ctx, name)) for name in self.list_commands(ctx))
        rows = [
            (name, command.get_short_help_str(limit=400))
            for name, command in commands
            if command is not None and not command.hidden
        ]
        with formatter.section("Commands"):
            formatter.write_dl(rows)


def studio_of(given: str | None) -> Path:
    """The studio that a command is for."""
    return find_studio(given)


def out(text: str, *, err: bool = False) -> None:
    """Print for a person, on standard error where it did not work."""
    click.echo(harmless(text), err=err)


def out_json(value: Any) -> None:
    """Print for a program; signs that a terminal would obey are escaped, which means the same."""
    text = json.dumps(value, ensure_ascii=False, indent=1)
    click.echo("".join(json.dumps(sign)[1:-1] if does_harm(sign) else sign for sign in text))


def pairs(settings: Iterable[str]) -> dict[str, str]:
    """Read `KEY=VALUE` options as parts of a request.

    Raises:
        UsageError: one is no such part.
    """
    found: dict[str, str] = {}
    for setting in settings:
        key, equals, value = setting.partition("=")
        key = key.strip().replace("-", "_")
        if not equals or key not in READERS:
            raise UsageError(
                f"“{setting}” is not a request.", "Write it like size=16x20in or fit=crop."
            )
        found[key] = value.strip()
    return found


def print_findings(findings: Iterable[Mapping[str, Any]]) -> None:
    """Print findings for a person."""
    for finding in findings:
        out(f"\n{finding['severity'].upper()}  {finding['code']}")
        out(f"  {finding['message']}")
        if finding["next"]:
            out(f"  {finding['next']}")


def job_row(reader: Reader, number: int) -> JobRow:
    """A job by its number.

    Raises:
        UsageError: there is none.
    """
    row = reader.job(number)
    if row is None:
        raise UsageError(f"There is no job {job_number(number)}.")
    return row


def findings_of(reader: Reader, row: JobRow) -> list[dict[str, Any]]:
    """What was found of a job when it was last examined or held."""
    seqs = [seq for seq in (row.examined_seq, row.held_seq) if seq is not None]
    found: list[dict[str, Any]] = reader.body(max(seqs)).get("findings", []) if seqs else []
    return found


def plain_cell(cell: object) -> object:
    """A spreadsheet runs a cell that begins like a formula; a quote before it makes it text."""
    if isinstance(cell, str) and cell[:1] in ("=", "+", "-", "@", "\t", "\r"):
        return "'" + cell
    return cell
