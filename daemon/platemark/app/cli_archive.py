"""Commands about the archive: `archive verify`, `archive keep`."""

from __future__ import annotations

import contextlib
import sys
import time
from collections.abc import Iterator
from dataclasses import asdict, dataclass, field
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import click

from platemark import durable
from platemark.app.context import FAULT, Group, out, out_json, studio_of
from platemark.app.open_studio import OpenStudio, open_studio, reading
from platemark.app.page.words import count_words
from platemark.app.showing import AS_JSON, Tell, show_table, telling
from platemark.engine import removing
from platemark.engine.archive_check import (
    END,
    ROUND_LOCK,
    Fault,
    Round,
    find_strays,
    load_round,
    look_again,
    place_in_order,
    read_on,
    save_round,
)
from platemark.engine.kept_record import record_changed, record_round
from platemark.engine.mending import damage_words, find_mends, record_damage, record_mends
from platemark.engine.reports import leave_report
from platemark.engine.retention import (
    Found,
    Rules,
    find_removable,
    path_words,
    plain_item,
    words_of,
)
from platemark.engine.upkeep import BACKUP_LOCK
from platemark.engine.workshop import Folders
from platemark.ledger.keeping import Damage, Keeping
from platemark.ledger.read import Reader
from platemark.ledger.store import stamp
from platemark.model.errors import StudioBusy, UsageError
from platemark.model.job import job_number, shown_name
from platemark.settings.load import load_settings

_SLICE_S = 2.0
_MOST_SHOWN = 20
_MB = 1e6


@click.group("archive", cls=Group)
def archive() -> None:
    """What is kept: read back and proved, and let go by rule."""


@dataclass(slots=True)
class _Read:
    """What one command read."""

    at: Round
    before: Round
    faults: list[Fault] = field(default_factory=list)
    mended: list[str] = field(default_factory=list)
    strays: list[str] = field(default_factory=list)

    @property
    def is_over(self) -> bool:
        return self.at.at == END


@archive.command("verify")
@click.option("--minutes", metavar="N", type=click.IntRange(1), help="Stop after so many minutes.")
@click.option(
    "--share", metavar="N", type=click.IntRange(1, 100), help="Read so many percent of it all."
)
@click.option("--anew", is_flag=True, help="Begin from the front, not where it was left.")
@AS_JSON
@click.pass_obj
def verify(
    studio: str | None, minutes: int | None, share: int | None, anew: bool, as_json: bool
) -> None:
    """Read the archive and the closed parcels back from the disk, and compare them with the record.

    It goes on where it was left. Damage is recorded, told in WAITING.txt, and mended where a good
    copy lies in the studio. Exit code 1 where something is damaged.
    """
    if minutes is not None and share is not None:
        raise UsageError(
            "Both --minutes and --share were given.", "Nothing was read. Give one of them."
        )
    root = studio_of(studio)
    work = root / "work"
    durable.make_folder(work)
    until = time.monotonic() + 60 * minutes if minutes is not None else None
    with durable.only_one(work / ROUND_LOCK) as got:
        if not got:
            raise UsageError(
                "The archive is being read just now, by the service or another command.",
                "Nothing is wrong. Try again in a minute.",
            )
        try:
            with open_studio(root) as opened, telling() as tell:
                read = _read(opened.workshop.ledger.read, root, until, share, anew, opened, tell)
        except StudioBusy:
            with reading(root) as reader, telling() as tell:
                read = _read(reader, root, until, share, anew, None, tell)
    with reading(root) as reader:
        # Where the service runs, it records these as soon as it has looked itself.
        open_now = Keeping(reader).damages()
        told = _told(root, reader, read, open_now)
    if as_json:
        out_json(told)
    else:
        _show(told)
    sys.exit(FAULT if told["damaged"] else 0)


def _read(
    reader: Reader,
    root: Path,
    until: float | None,
    share: int | None,
    anew: bool,
    opened: OpenStudio | None,
    tell: Tell,
) -> _Read:
    """Read on slice by slice; an interruption loses at most the file in hand."""
    work = root / "work"
    left = None if anew else load_round(work)
    before = left or Round(begun=stamp(datetime.now(UTC)))
    target = END if share is None else place_in_order(before.share + share / 100)
    read = _Read(before, before)
    if opened is not None:
        _mend(opened, read, Keeping(reader).damages())
    while read.at.at < target and (until is None or time.monotonic() < until):
        found = read_on(reader, root, read.at, upto=target, seconds=_SLICE_S)
        read.at = found.round
        read.faults += found.faults
        if opened is not None and found.faults:
            record_damage(opened.workshop, found.faults)
            paths = {fault.path for fault in found.faults}
            _mend(opened, read, [d for d in Keeping(reader).damages() if d.path in paths])
        save_round(work, read.at)
        told = f"{read.at.bytes / _MB:,.0f} MB, {len(read.faults)} damaged"
        tell("Reading the archive", round(100 * read.at.share), 100, told)
    if read.is_over:
        read.strays = list(find_strays(reader, root))
    _hand_over(root, read, opened)
    return read


def _mend(opened: OpenStudio, read: _Read, damages: list[Damage]) -> None:
    workshop = opened.workshop
    mends = find_mends(workshop.ledger.read, workshop.folders, damages)
    record_mends(workshop, mends)
    read.mended += [mend.path for mend in mends]


def _hand_over(root: Path, read: _Read, opened: OpenStudio | None) -> None:
    """Record a finished round, or leave that and what is damaged for the service to record."""
    if opened is not None:
        if read.is_over:
            record_round(opened.workshop, read.at, len(read.strays))
        return
    if read.is_over or read.faults:
        body: dict[str, Any] = {"paths": [fault.path for fault in read.faults]}
        if read.is_over:
            body |= {"round": asdict(read.at), "strays": len(read.strays)}
            save_round(root / "work", None)
        leave_report(root / "work", "archive", body)


def _told(root: Path, reader: Reader, read: _Read, open_now: list[Damage]) -> dict[str, Any]:
    """What came of it, for a program; what is for people is made of the same."""
    known = {each.path: each for each in open_now}
    for fault in read.faults:
        if fault.path not in known and look_again(reader, root, fault.path) is not None:
            known[fault.path] = Damage(fault.path, 0, fault.expected, fault.found)
    damaged = []
    for path in sorted(known):
        sentence, then = damage_words(reader, known[path])
        damaged.append(
            {
                "path": path,
                "expected": known[path].expected,
                "found": known[path].found,
                "sentence": sentence,
                "next": then,
            }
        )
    return {
        "finished": read.is_over,
        "since": read.at.begun,
        "share": f"{read.at.share:.4f}",
        "files": read.at.files - read.before.files,
        "parcels": read.at.parcels - read.before.parcels,
        "bytes": read.at.bytes - read.before.bytes,
        "before": {"files": read.before.files, "bytes": read.before.bytes},
        "damaged": damaged,
        "mended": read.mended,
        "strays": read.strays,
    }


def _show(told: dict[str, Any]) -> None:
    before = told["before"]
    if before["files"]:
        out(
            f"Went on with what was begun on {told['since'][:10]}: {before['files']} files had "
            "been read. For all of it at once: --anew."
        )
    out(
        f"Read {count_words(told['files'], 'archived file', 'archived files')} and "
        f"{count_words(told['parcels'], 'parcel', 'parcels')}, {told['bytes'] / _MB:,.1f} MB, from "
        "the disk itself where the system allows that."
    )
    if not told["finished"]:
        out(f"{float(told['share']):.0%} of everything is read; the next time goes on from there.")
    for path in told["mended"]:
        out(f"Mended, or found whole again: {_as_one_line(path)}")
    for each in told["damaged"]:
        out(f"DAMAGED  {_as_one_line(each['path'])}\n  {each['sentence']}\n  {each['next']}")
    if told["strays"]:
        files = count_words(len(told["strays"]), "file", "files")
        out(f"In archive/ the record does not know {files}; nothing is done about that:")
        for path in told["strays"][:_MOST_SHOWN]:
            out(f"  {_as_one_line(path)}")
    if told["finished"] and not told["damaged"]:
        out("Everything that the record says is kept is there, and is what it was.")


def _as_one_line(path: str) -> str:
    return shown_name(path.encode("utf-8", "surrogateescape"))


@archive.command("keep")
@click.option("--dry-run", is_flag=True, help="Only say what would go; nothing is touched.")
@AS_JSON
@click.pass_obj
def keep(studio: str | None, dry_run: bool, as_json: bool) -> None:
    """Let go of what the rules in studio.toml under [keep] say; the service does it every night."""
    root = studio_of(studio)
    if dry_run:
        settings = load_settings(root)
        rules = Rules(settings.studio.keep, datetime.now(UTC))
        with reading(root) as reader:
            found = find_removable(reader, Folders.of(root, settings), rules)
        _tell_kept(found, as_json, "would go")
        return
    with open_studio(root) as opened, _no_backup(root):
        workshop = opened.workshop
        rules = Rules(workshop.settings.studio.keep, workshop.clock.now())
        found = find_removable(workshop.ledger.read, workshop.folders, rules)
        record_changed(workshop, found.changed)
        for seq in removing.begin(workshop, removing.prepare(workshop, found.items)):
            removed = removing.carry_out(workshop.ledger.read, workshop.folders, seq)
            if removed is not None:
                removing.end(workshop, seq, removed)
        removing.tidy_work(workshop)
    _tell_kept(found, as_json, "went")


@contextlib.contextmanager
def _no_backup(root: Path) -> Iterator[None]:
    with durable.only_one(root / "work" / BACKUP_LOCK) as got:
        if not got:
            raise UsageError(
                "A backup is being made just now.", "Nothing was removed. Try again after it."
            )
        yield


def _tell_kept(found: Found, as_json: bool, went: str) -> None:
    total = sum(item.bytes for item in found.items)
    if as_json:
        out_json(
            {
                "items": [plain_item(item) for item in found.items],
                "bytes": total,
                "changed": [plain_item(item) for item in found.changed],
            }
        )
        return
    if found.items:
        show_table(
            ("file", "job", "MB", "rule"),
            [
                (
                    path_words(item),
                    job_number(item.job) if item.job else "",
                    f"{item.bytes / _MB:,.1f}",
                    item.rule,
                )
                for item in found.items
            ],
            right=("MB",),
            names=("file",),
        )
    for item in found.changed:
        out(
            f"stays: {words_of(item)}. Somebody wrote to it after it was taken; drop it again if "
            "it shall be printed, or remove it."
        )
    out(f"{len(found.items)} {went}, {total / _MB:,.1f} MB.")


COMMANDS = (archive,)
