"""The commands."""

from __future__ import annotations

import os
import sys
import tempfile
import traceback
from pathlib import Path
from typing import Any

import click
from rich.console import Console

from platemark import __version__
from platemark.app import (
    cli_again,
    cli_archive,
    cli_backup,
    cli_completion,
    cli_editions,
    cli_examine,
    cli_jobs,
    cli_month,
    cli_morning,
    cli_page,
    cli_parcels,
    cli_profiles,
    cli_record,
    cli_strip,
    cli_tests,
    demo,
    doctor,
    logs,
)
from platemark.app.context import FAULT, HELD, Group, out, studio_of
from platemark.app.page.words import count_words
from platemark.app.service import run as run_service
from platemark.app.service import sweep as sweep_once
from platemark.model.errors import PlatemarkError
from platemark.settings.starter import copy_starter


class Commands(Group):
    """The group of all commands: faults become a sentence, a hint and an exit code."""

    def invoke(self, ctx: click.Context) -> Any:
        """Run a command; no fault ends in a traceback for a person."""
        try:
            return super().invoke(ctx)
        except PlatemarkError as error:
            Console(stderr=True, soft_wrap=True).print(
                f"{error.sentence}\n{error.hint}".strip(), markup=False, highlight=False
            )
            sys.exit(error.exit_code)
        except BrokenPipeError:
            # The reader of a listing closed early, as `head` does.
            os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
            sys.exit(0)
        except (click.exceptions.Exit, click.ClickException, click.Abort):
            raise
        except Exception:
            with tempfile.NamedTemporaryFile(
                "w", prefix="platemark-", suffix=".txt", delete=False
            ) as file:
                file.write(traceback.format_exc())
            click.echo(
                "Platemark made a mistake. Nothing that was archived is lost.\n"
                f"What happened is written down in {file.name}; give that to whoever looks after "
                "Platemark.",
                err=True,
            )
            sys.exit(FAULT)


@click.group(cls=Commands, context_settings={"help_option_names": ["-h", "--help"]})
@click.option("--studio", metavar="DIR", help="The studio's folder; else the one you stand in.")
@click.option(
    "--log",
    "log_form",
    type=click.Choice(["auto", "console", "json"]),
    default="auto",
    show_default=True,
    help="Form of the log on standard error.",
)
@click.version_option(__version__, prog_name="platemark")
@click.pass_context
def main(ctx: click.Context, studio: str | None, log_form: str) -> None:
    """Prepare finished pictures for the labs that print them, and keep the record."""
    ctx.obj = studio
    quiet = ctx.invoked_subcommand != "run"
    logs.configure(log_form, quiet=quiet)  # type: ignore[arg-type]


@main.command("new")
@click.argument("folder", metavar="DIR", type=click.Path(path_type=Path))
def new(folder: Path) -> None:
    """Make a starter studio in DIR."""
    copy_starter(folder)
    out(
        f"A starter studio is in {folder}.\n"
        "Look through studio.toml, surfaces/ and labs/, put your labs' profiles into profiles/,\n"
        f"then ask `platemark --studio {folder} doctor`."
    )


@main.command("run")
@click.pass_obj
def run_command(studio: str | None) -> None:
    """Run the service until it is stopped."""
    run_service(studio_of(studio))


@main.command("sweep")
@click.pass_obj
def sweep_command(studio: str | None) -> None:
    """Take everything that waits, once: prepare, close every open parcel, deliver.

    Exit code 0: all that it took went through; 3: something that it took is held; 1: a fault.
    """
    swept = sweep_once(studio_of(studio))
    parcels = ", ".join(swept.parcels) or "none"
    out(f"Took {swept.took}; held {swept.held}; parcels closed: {parcels}.")
    if swept.late:
        out(f"Closed before and delivered now: {', '.join(swept.late)}.")
    if swept.waiting:
        out(f"{_count_still(swept.waiting)} for an answer; see hot/WAITING.txt.")
    if swept.left_growing:
        files = count_words(swept.left_growing, "file is", "files are")
        out(
            f"{files} cut off and young, so perhaps still arriving, and left in the hot folder. "
            "See hot/WAITING.txt."
        )
    for sentence in swept.sheets:
        out(sentence)
    if swept.fault:
        out(swept.fault, err=True)
        sys.exit(FAULT)
    sys.exit(HELD if swept.held or swept.sheets else 0)


def _count_still(waiting: int) -> str:
    return "One still waits" if waiting == 1 else f"{waiting} still wait"


for command in (
    *cli_again.COMMANDS,
    *cli_archive.COMMANDS,
    *cli_backup.COMMANDS,
    cli_completion.completion,
    cli_editions.editions,
    cli_examine.examine,
    *cli_jobs.COMMANDS,
    cli_morning.morning,
    *cli_month.COMMANDS,
    *cli_record.COMMANDS,
    *cli_tests.COMMANDS,
    cli_page.page,
    cli_parcels.parcels,
    cli_profiles.profiles,
    cli_strip.strip,
    demo.demo,
    doctor.doctor,
):
    main.add_command(command)

cli_completion.offer_names(main)
