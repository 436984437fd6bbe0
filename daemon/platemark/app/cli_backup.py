"""Commands about copies of the studio: `backup`, `take-over`, and `parcel` for what they leave."""

from __future__ import annotations

import sys
import uuid
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import click

from platemark import durable
from platemark.app.context import FAULT, out, out_json, studio_of
from platemark.app.hand_in import hand_in
from platemark.app.open_studio import open_studio, reading
from platemark.app.page.words import count_words
from platemark.app.showing import AS_JSON, telling
from platemark.engine.backup import Made, make_backup
from platemark.engine.clock import SystemClock
from platemark.engine.copy_marker import finish_switch, read_marker, refuse_place
from platemark.engine.kept_record import record_backup
from platemark.engine.reports import leave_report
from platemark.engine.take_over import take_over as take_over_copy
from platemark.engine.upkeep import BACKUP_LOCK
from platemark.engine.workshop import Folders, Workshop
from platemark.imaging.child import Children
from platemark.intake.plain_text import shortened
from platemark.ledger.store import Ledger
from platemark.model.decision import ParcelDecision
from platemark.model.errors import DecisionRefused, PlatemarkError, StudioBusy, UsageError
from platemark.model.job import job_number
from platemark.settings.load import load_settings

_MB = 1e6
_LONGEST = 40
"""Signs of the name of what is copied just now."""


@click.command("backup")
@click.argument("dest", metavar="DEST", type=click.Path(path_type=Path))
@click.option("--check", is_flag=True, help="Read everything that is there already, too.")
@AS_JSON
@click.pass_obj
def backup(studio: str | None, dest: Path, check: bool, as_json: bool) -> None:
    """Copy the whole studio into DEST, or bring its copy there up to date; proved as it is made.

    The service may go on meanwhile. What lies in hot/ and is not claimed yet is not in the copy.
    Exit code 1 where something is damaged here and could not be copied.
    """
    root = studio_of(studio)
    refuse_place(root, dest)
    folders = Folders.of(root, load_settings(root))
    durable.make_folder(folders.work)
    with durable.only_one(folders.work / BACKUP_LOCK) as got:
        if not got:
            raise UsageError(
                "A backup is being made just now, or things are let go of by rule.",
                "Nothing was copied. Try again after it.",
            )
        with telling() as tell:

            def copied(name: str, so_far: int) -> None:
                tell("Copying", so_far, 0, f"{so_far / _MB:,.0f} MB  {shortened(name, _LONGEST)}")

            made = make_backup(root, folders, dest, datetime.now(UTC), check=check, progress=copied)
    _record(root, dest, made)
    if as_json:
        out_json(
            {
                "made": made.made,
                "witness": {"seq": made.witness_seq, "hash": made.witness_hash},
                "copied": made.copied,
                "there": made.there,
                "bytes": made.bytes,
                "faults": made.faults,
            }
        )
    else:
        out(
            f"The copy in {dest} holds everything up to entry {made.witness_seq} "
            f"({made.witness_hash}).\n{count_words(made.copied, 'file was', 'files were')} copied "
            f"and read back ({made.bytes / _MB:,.1f} MB), {made.there:,} were there already."
        )
        for sentence in made.faults:
            out(f"DAMAGED  {sentence} See `platemark archive verify`.")
    sys.exit(FAULT if made.faults else 0)


def _record(root: Path, dest: Path, made: Made) -> None:
    """Have the record say that a backup was made; where a service runs, it does."""
    body: dict[str, Any] = {
        "made": made.made,
        "seq": made.witness_seq,
        "hash": made.witness_hash,
        "to": str(dest.resolve()),
        "files": made.copied + made.there,
        "bytes": str(made.bytes),
        "faults": len(made.faults),
    }
    try:
        with open_studio(root) as opened:
            record_backup(opened.workshop, body, uuid.uuid4().hex)
    except PlatemarkError:
        # Where a service runs, or the studio cannot be opened just now, the next turn records it.
        leave_report(root / "work", "backup", body)


@click.command("take-over")
@click.option("--by", required=True, metavar="NAME", help="One of the studio's people.")
@click.option("--because", required=True, metavar="TEXT", help="Why; it stays in the record.")
@AS_JSON
@click.pass_obj
def take_over(studio: str | None, by: str, because: str, as_json: bool) -> None:
    """Let this copy be the studio, because the studio itself is lost.

    Nothing is sent by itself that may have been sent since the copy was made: those jobs are held,
    and closed parcels wait for `platemark parcel`.
    """
    if studio is not None:
        # Stopped in the middle of putting it in place, it may have no settings yet.
        finish_switch(Path(studio))
    root = studio_of(studio)
    finish_switch(root)
    marker = read_marker(root)
    if marker is None:
        raise UsageError(
            f"{root} is no copy of a studio, or was taken over already.", "Nothing was changed."
        )
    settings = load_settings(root)
    folders = Folders.of(root, settings)
    with durable.only_one(folders.lock) as got:
        if not got:
            raise StudioBusy(
                "A backup is being made into this copy just now.",
                "Nothing was changed. Wait for its end.",
            )
        clock = SystemClock()
        ledger = Ledger(folders.ledger, clock.now)
        try:
            workshop = Workshop(folders, settings, ledger, clock, Children())
            workshop.prepare_folders()
            done = take_over_copy(workshop, marker, by, because)
        finally:
            ledger.close()
    if as_json:
        out_json({"held": done.held, "doubtful": done.doubtful, "first_job": done.first_job})
        return
    out(
        f"This is the studio now, as it was on {marker.made[:16].replace('T', ' ')} UTC. "
        f"The next job is {job_number(done.first_job)}."
    )
    if done.held:
        out(
            f"Not sent by then, and held now: {count_words(len(done.held), 'job', 'jobs')}. Ask "
            "the labs which of them they have; accept the others (record-restored)."
        )
    for name in done.doubtful:
        out(f"{name} may have been sent since. Ask the lab, then: platemark parcel {name} …")
    out("What was dropped since then must be dropped again.")


@click.command("parcel")
@click.argument("name", metavar="PARCEL")
@click.option("--sent", "word", flag_value="parcel-sent", help="The lab has it.")
@click.option("--send", "word", flag_value="parcel-send", help="The lab does not have it: send it.")
@click.option("--by", required=True, metavar="NAME", help="One of the studio's people.")
@click.option("--because", required=True, metavar="TEXT", help="Why; it stays in the record.")
@click.pass_obj
def parcel(studio: str | None, name: str, word: str | None, by: str, because: str) -> None:
    """Say of a parcel that was closed before a copy was taken over whether the lab has it."""
    if word not in ("parcel-sent", "parcel-send"):
        raise UsageError("Say --sent or --send.", "Nothing was changed.")
    root = studio_of(studio)
    with reading(root) as reader:
        row = reader.parcel(name)
    decision = ParcelDecision(
        id=uuid.uuid4().hex,
        kind="parcel-sent" if word == "parcel-sent" else "parcel-send",
        parcel=name,
        expected_seq=row.seq if row is not None else 0,
        by=by,
        because=because,
    )
    _, (outcome,) = hand_in(root, [decision])
    if not outcome.applied:
        raise DecisionRefused(outcome.sentence)
    out(outcome.sentence)


COMMANDS = (backup, take_over, parcel)
