"""One state of the record, copied while its service may write."""

from __future__ import annotations

import contextlib
import sqlite3
from pathlib import Path

from platemark import durable
from platemark.ledger.read import connect_reader
from platemark.model.errors import DiskFault

_PAGES = 2048
_RESTARTS = 20


def copy_record(source: Path, target: Path) -> None:
    """Copy a record while its service may write; the copy is one state of it, to the last bit.

    It is copied in parts, between which the service goes on. A change makes it begin anew; after a
    few of these the service is made to wait for one copy of it all.

    Raises:
        StudioMissing: there is none.
        DiskFault: it cannot be read or written.
    """
    restarts, before = 0, 0

    def watch(status: int, remaining: int, total: int) -> None:
        del status, total
        nonlocal restarts, before
        restarts += remaining > before > 0
        before = remaining
        if restarts > _RESTARTS:
            raise _TooBusy

    try:
        with (
            contextlib.closing(connect_reader(source)) as reading,
            contextlib.closing(sqlite3.connect(target)) as writing,
        ):
            try:
                reading.backup(writing, pages=_PAGES, progress=watch, sleep=0.01)
            except _TooBusy:
                reading.backup(writing, pages=-1)
    except sqlite3.DatabaseError as error:
        raise DiskFault(
            f"The record could not be copied: {error}.",
            "Nothing was changed, and the last copy is as it was. Check both disks, and try again.",
        ) from error
    durable.sync_file(target)


class _TooBusy(Exception):
    """The record changed again and again while it was copied."""
