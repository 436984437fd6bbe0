"""Commands for a record that is damaged, lost or behind: `ledger rescue` and what follows it."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import asdict
from pathlib import Path

import click

from platemark import durable
from platemark.app.context import out, out_json, studio_of
from platemark.app.page.words import count_words
from platemark.app.showing import AS_JSON, telling
from platemark.engine.clock import SystemClock
from platemark.engine.rescue import RESCUED, Rescued, Unopened, begin_anew, put_in_place
from platemark.engine.rescue import rescue as rescue_record
from platemark.engine.rescue_back import ReadBack, read_back, who_says
from platemark.engine.rescue_gate import behind
from platemark.engine.workshop import Folders
from platemark.ledger.proof import find_faults
from platemark.ledger.store import Ledger
from platemark.model.errors import RecordDamaged, StudioBusy
from platemark.model.job import job_number
from platemark.settings.load import load_settings

_MOST_SHOWN = 20

_BY = click.option("--by", required=True, metavar="NAME", help="One of the studio's people.")
_BECAUSE = click.option(
    "--because", required=True, metavar="TEXT", help="Why; it stays in the record."
)


@click.command("rescue")
@click.option(
    "--to",
    "target",
    type=click.Path(path_type=Path),
    metavar="FILE",
    help=f"The new file; usually {RESCUED} in the studio.",
)
@AS_JSON
@click.pass_obj
def rescue(studio: str | None, target: Path | None, as_json: bool) -> None:
    """Save what still holds of a damaged record into a new file; the record is only read.

    The longest beginning that holds is kept as it is, with an entry after it that says so.
    """
    root = studio_of(studio)
    file = target if target is not None else root / RESCUED
    with _unopened(root) as unopened:
        saved = rescue_record(unopened, file)
    if as_json:
        remains = {k: v for k, v in asdict(saved.remains).items() if k not in ("jobs", "parcels")}
        out_json({"file": str(saved.file), "sha256": saved.sha256, **remains})
        return
    _tell_rescue(saved, root)


@click.command("put-in-place")
@click.argument("file", type=click.Path(path_type=Path), metavar="FILE")
@_BY
@_BECAUSE
@AS_JSON
@click.pass_obj
def put(studio: str | None, file: Path, by: str, because: str, as_json: bool) -> None:
    """Make FILE the studio's record; the one before is kept under another name.

    FILE must hold: one that `ledger rescue` made, or a copy from before. What was sent since then
    is read back from the studio's files at once, as `ledger read-back` does.
    """
    root = studio_of(studio)
    with _unopened(root) as unopened:
        who_says(unopened.settings.studio, by, because)
        aside = put_in_place(unopened, file)
        if not as_json:
            kept = f" The one before is kept as {aside.name}." if aside is not None else ""
            out(f"{file.name} is the studio's record now.{kept}")
        _read_back(unopened, by, because, as_json=as_json, if_behind=True)


@click.command("read-back")
@_BY
@_BECAUSE
@AS_JSON
@click.pass_obj
def back(studio: str | None, by: str, because: str, as_json: bool) -> None:
    """Read what a record does not know, or all of a lost one, back from the studio's files.

    What lies in a parcel counts as sent; what may have been sent is held until somebody has asked
    the lab. Where ledger.sqlite3 is gone, a new record begins with this.
    """
    root = studio_of(studio)
    with _unopened(root) as unopened:
        _read_back(unopened, by, because, as_json=as_json)


@click.command("rebuild-tables")
@click.pass_obj
def rebuild(studio: str | None) -> None:
    """Make the tables that the studio works by anew from the entries, and prove both."""
    root = studio_of(studio)
    with _unopened(root) as unopened:
        ledger = Ledger(unopened.folders.ledger, unopened.clock.now, to_mend=True)
        try:
            _refuse_broken(ledger)
            with telling() as tell:
                ledger.rebuild(tell)
                faults = find_faults(ledger.read, tell)
        finally:
            ledger.close()
    if faults:
        raise RecordDamaged(
            f"The tables were made anew, but this does not hold: {faults[0].sentence}",
            "No entry was changed. Keep ledger.sqlite3, and see `platemark ledger verify`.",
        )
    out("The tables were made anew from the entries. The record holds.")


COMMANDS = (rescue, put, back, rebuild)


@contextmanager
def _unopened(root: Path) -> Iterator[Unopened]:
    settings = load_settings(root)
    folders = Folders.of(root, settings)
    with durable.only_one(folders.lock) as got:
        if not got:
            raise StudioBusy(
                "A service has this studio.", "Nothing was changed. Stop it first, then try again."
            )
        yield Unopened(folders, settings, SystemClock())


def _read_back(
    unopened: Unopened, by: str, because: str, *, as_json: bool, if_behind: bool = False
) -> None:
    path = unopened.folders.ledger
    if not path.exists() or not path.stat().st_size:
        done = begin_anew(unopened, by, because)
    else:
        ledger = Ledger(path, unopened.clock.now)
        try:
            _refuse_broken(ledger)
            workshop = unopened.open(ledger)
            if if_behind and not behind(workshop):
                return
            done = read_back(workshop, by, because)
        finally:
            ledger.close()
    if as_json:
        out_json(asdict(done))
    else:
        _tell_read_back(done)


def _refuse_broken(ledger: Ledger) -> None:
    fault = ledger.read.find_fault()
    if fault is not None:
        raise RecordDamaged(
            fault.sentence,
            "Nothing was changed. `platemark ledger rescue` saves what holds into a new file.",
        )


def _tell_rescue(saved: Rescued, root: Path) -> None:
    remains = saved.remains
    out(f"Entries 1 to {remains.upto} hold and are saved in {saved.file}.")
    if remains.why:
        out(f"After that: {remains.why}")
    if remains.readable_after or remains.unreadable:
        out(
            f"{remains.readable_after} later entries can be read but prove nothing, and "
            f"{remains.unreadable} cannot be read; they were not taken over."
        )
    if remains.words_lost:
        out(f"{remains.words_lost} personal words no longer fit their entry and were left out.")
    out(
        f"{root / 'ledger.sqlite3'} was not touched (SHA-256 {saved.sha256}). A newer backup knows "
        "more than this:\ncompare before you go on. To go on with the saved record:\n"
        f"  platemark ledger put-in-place {saved.file} --by NAME --because …"
    )


def _tell_read_back(done: ReadBack) -> None:
    for heading, lines in (
        ("Parcels that are not whole:", done.damaged),
        ("Jobs whose number the record has for another picture:", done.twice),
        ("Held folders whose picture is not in the archive:", done.held_unknown),
        ("Archived pictures that belong to no job any more (ledger show --kind files-found):",
         done.files),
    ):  # fmt: skip
        if lines:
            out(heading)
            for line in lines[:_MOST_SHOWN]:
                out(f"  {line}")
            if len(lines) > _MOST_SHOWN:
                out(f"  and {len(lines) - _MOST_SHOWN} more")
    out(
        f"Read back: {count_words(len(done.parcels), 'parcel', 'parcels')} with "
        f"{count_words(len(done.jobs), 'job', 'jobs')}, which count as sent. "
        f"{count_words(len(done.held), 'job', 'jobs')} will be held."
    )
    if done.held:
        out("Ask the labs which of those they have; accept the others (record-restored).")
    for name in done.doubtful:
        out(f"{name} may have been sent, or not. Ask the lab, then: platemark parcel {name} …")
    out(f"The next job is {job_number(done.first_job)}.")
