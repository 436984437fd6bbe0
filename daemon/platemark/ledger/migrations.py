"""Brings an older record up to date: numbered steps, each one transaction with its number.

A record's form is its `PRAGMA user_version`. To add a step: write a function here that takes the
connection, enter it in `STEPS` under the next number, and say in one line what differs:

    1  entries, words, attempts, marks; jobs, drops, parcels, profiles, settled, decisions
    2  every derived table made anew from the entries (`projection.sql` as it is now)
    3  jobs have the title that their picture was given
    4  links between jobs, approvals, returns, numbers and pictures of editions, strips

A change of `projection.sql` alone is a step that is `_make_tables_anew` again. The entries and
their guards are never touched. A step is not changed once a version with it was given away.
"""

from __future__ import annotations

import shutil
import sqlite3
from collections.abc import Callable
from pathlib import Path

import structlog

from platemark import durable
from platemark.ledger import projection
from platemark.model.errors import DiskFull, RecordDamaged, UsageError

Replay = Callable[[sqlite3.Connection], None]
"""Brings the derived tables of a connection up to all of its entries."""

_ROOM_BESIDE = 64 << 20


def _make_tables_anew(connection: sqlite3.Connection, replay: Replay) -> None:
    projection.empty(connection)
    replay(connection)


STEPS: dict[int, Callable[[sqlite3.Connection, Replay], None]] = {
    2: _make_tables_anew,
    3: _make_tables_anew,
    4: _make_tables_anew,
}
FORM = max(STEPS)
"""The form of a record of this version."""


def form_of(connection: sqlite3.Connection) -> int:
    """The form that a record says it has; 0 where nothing was ever written."""
    return int(connection.execute("PRAGMA user_version").fetchone()[0])


def refuse_newer(form: int) -> None:
    """Refuse a record of a form that is not known here.

    Raises:
        UsageError: it is of a newer version.
    """
    if not 0 <= form <= FORM:
        raise UsageError(
            f"This studio's record was written by a newer Platemark (form {form}, this one knows "
            f"{FORM}).",
            "Install the newer version; nothing was changed.",
        )


def refuse_other_form(connection: sqlite3.Connection) -> None:
    """Refuse to read a record of another version.

    Raises:
        UsageError: it is older or newer.
        RecordDamaged: it has entries and no form.
    """
    form = form_of(connection)
    refuse_newer(form)
    refuse_formless(connection, form)
    if 0 < form < FORM:
        raise UsageError(
            f"This studio's record was written by an older Platemark (form {form}, this one works "
            f"with {FORM}).",
            "Nothing was changed. Start `platemark run` or `platemark sweep` once: the record is "
            "brought up to date, and a copy of it as it is now is kept.",
        )


def refuse_formless(connection: sqlite3.Connection, form: int) -> None:
    """Refuse a file that says it is new and is not.

    Raises:
        RecordDamaged: it has tables.
    """
    if form == 0 and connection.execute("SELECT 1 FROM sqlite_master LIMIT 1").fetchall():
        raise RecordDamaged(
            "The file ledger.sqlite3 does not say of what form the record is: it is damaged, or "
            "not Platemark's.",
            "Nothing was changed. Keep the file; put back a backup, or save what still holds with "
            "`platemark ledger rescue`.",
        )


def migrate(connection: sqlite3.Connection, path: Path, replay: Replay) -> None:
    """Bring a record up to this version's form; killed at any point, it is old or new, whole.

    Args:
        connection: To a record of an older form whose chain was found to hold.
        path: Its file; a copy is kept beside it.
        replay: Makes the derived tables from the entries.

    Raises:
        DiskFull: there is no room for the copy.
        DiskFault: the disk refuses.
    """
    form = form_of(connection)
    copy = _keep_copy(path, form)
    log = structlog.get_logger()
    log.info("record-older", form=form, to=FORM, copy=copy.name)
    for number in range(form + 1, FORM + 1):
        connection.execute("BEGIN IMMEDIATE")
        try:
            STEPS[number](connection, replay)
            connection.execute(f"PRAGMA user_version = {number}")
            with durable.step("commit", path):
                connection.execute("COMMIT")
        except BaseException:
            if connection.in_transaction:
                connection.execute("ROLLBACK")
            raise
        log.info("record-brought-up-to-date", form=number)


def _keep_copy(path: Path, form: int) -> Path:
    """Copy the record as it is, under a name that tells; the same copy is made once."""
    if shutil.disk_usage(path.parent).free < path.stat().st_size + _ROOM_BESIDE:
        raise DiskFull(
            "There is not room enough to keep a copy of ledger.sqlite3 before it is brought up to "
            "date.",
            "Nothing was changed. Free some space, then start again.",
        )
    scratch = path.with_name(f".{path.name}.copying")
    durable.remove_file(scratch)
    sha256 = durable.copy_out(path, scratch, 0o600)
    for number in range(1, 1000):
        again = "" if number == 1 else f"-{number}"
        kept = path.with_name(f"{path.stem}.form-{form}{again}{path.suffix}")
        try:
            durable.publish(scratch, kept)
        except durable.AlreadyThere:
            if durable.hash_file(kept) != sha256:
                continue
            durable.remove_file(scratch)
        return kept
    raise DiskFull(
        f"There are too many older copies of the record in {path.parent}.",
        "Nothing was changed. Move those elsewhere, then start again.",
    )
