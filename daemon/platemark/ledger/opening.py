"""Opens the record's file, and says what is wrong where that cannot be."""

from __future__ import annotations

import os
import sqlite3
from contextlib import nullcontext
from pathlib import Path

from platemark import durable
from platemark.ledger.journal import journal_of, refuse_unfit_journal
from platemark.model.errors import DiskFault, DiskFull, RecordDamaged, RecordLocked, StudioMissing

LOCK_WAIT_S = 30.0
"""How long another program's lock on the file is waited for."""
SPOILT = (sqlite3.DatabaseError, UnicodeDecodeError)
"""What a damaged file makes SQLite say; its sentences may quote what is no text any more."""
WITNESSES = ("archive", "outgoing", "held")
"""Folders beside the record that hold something once it has an entry."""


def is_new(path: Path) -> bool:
    """Whether there is no record yet, and none can have been lost.

    Raises:
        RecordDamaged: it is gone, or empty, and what lies beside it says that there was one.
    """
    try:
        empty = path.stat().st_size == 0 and not journal_of(path).exists()
    except FileNotFoundError:
        empty = True
    if not empty:
        return False
    held = next((name for name in WITNESSES if holds_anything(path.parent / name)), "")
    if held:
        state = "is empty" if path.exists() else "is not there"
        raise RecordDamaged(
            f"The record {path} {state}, but {held}/ holds what was done: no new one is begun "
            "in its place.",
            "Nothing was changed, and no picture is lost. Put ledger.sqlite3 back, from wherever "
            "it was moved to or from a backup; where none is left, `platemark ledger read-back` "
            "makes a new record from the files.",
        )
    return True


def holds_anything(folder: Path) -> bool:
    """Whether there is any file in a folder or below."""
    return any(files for _, _, files in os.walk(folder))


def connect_to_read(path: Path) -> sqlite3.Connection:
    """Open a record for questions only, whatever its form.

    Raises:
        StudioMissing: there is none yet.
        RecordDamaged: it is gone, empty, or lies beside the journal of another.
    """
    if is_new(path):
        raise StudioMissing(
            f"{path.parent} has no record yet.", "Start it once with `platemark sweep` or `run`."
        )
    lock = path.parent / ".lock"
    if journal_of(path).exists():
        # Where a service is at work the journal is its own, and so are the file's locks.
        with durable.only_one(lock) if lock.exists() else nullcontext(enter_result=True) as alone:
            if alone:
                refuse_unfit_journal(path)
    # `mode=ro` cannot play back a journal left by a crash, so the connection is made harmless
    # by a pragma instead.
    connection = sqlite3.connect(path, timeout=LOCK_WAIT_S, isolation_level=None)
    try:
        connection.execute("PRAGMA query_only = 1")
    except SPOILT as error:
        connection.close()
        raise damage(error) from error
    return connection


def damage(
    error: sqlite3.DatabaseError | UnicodeDecodeError, at: Path | None = None
) -> RecordDamaged | RecordLocked | DiskFault | DiskFull:
    """Turn what SQLite says into a fault with a sentence and a hint.

    Args:
        error: What it said.
        at: The record that was to be written. On a disk that takes no other file SQLite cannot make
            its journal, and says no more than that.
    """
    # What Python's own module finds, such as text that is none, has no code.
    code = getattr(error, "sqlite_errorcode", sqlite3.SQLITE_CORRUPT) & 0xFF
    cannot = code in (sqlite3.SQLITE_CANTOPEN, sqlite3.SQLITE_IOERR)
    if code == sqlite3.SQLITE_FULL or (cannot and at is not None and durable.is_full(at.parent)):
        return DiskFull(
            "The disk has no room left for the record.",
            "Nothing is lost. Free some space; Platemark goes on by itself.",
        )
    if code in (sqlite3.SQLITE_BUSY, sqlite3.SQLITE_LOCKED):
        return RecordLocked(
            f"Another program has locked ledger.sqlite3 for {LOCK_WAIT_S:.0f} seconds.",
            "Nothing is lost. Close whatever has the file open, such as a viewer of databases or "
            "a backup that does not let go; then it goes on, or start it again.",
        )
    if code in (sqlite3.SQLITE_CORRUPT, sqlite3.SQLITE_NOTADB, sqlite3.SQLITE_ERROR):
        why = error if isinstance(error, sqlite3.Error) else "it holds text that is none"
        return RecordDamaged(
            f"The record ledger.sqlite3 is damaged: {why}.",
            "Nothing was changed. Keep the file as it is and ask `platemark ledger verify` where; "
            "then put back a backup, or save what still holds with `platemark ledger rescue`.",
        )
    return DiskFault(
        f"The record cannot be read or written just now: {error}.",
        "Nothing is lost. Check the disk and its rights, then start again.",
    )
