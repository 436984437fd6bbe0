"""Whether the journal beside the record is its own.

SQLite plays a journal that a crash left back into the database that it lies beside, whatever
database that is: the journal of another one, as when a copy was put in the record's place and the
journal was left, would spoil it. So before anything is opened the two are held against each other,
by the file format that SQLite documents (“Database File Format”, sections 1.3 and 3).
"""

from __future__ import annotations

import struct
from pathlib import Path
from typing import BinaryIO

from platemark.model.errors import RecordDamaged

MAGIC = bytes.fromhex("d9d505f920a163d7")
_TRIES = 50
"""A program that is writing changes both files between two looks."""


def journal_of(path: Path) -> Path:
    """Where SQLite keeps the journal of a database."""
    return path.with_name(f"{path.name}-journal")


def refuse_unfit_journal(path: Path) -> None:
    """Refuse to open a record beside which another database's journal lies.

    To be called while this process has no connection to it that holds a lock: closing a file gives
    up all locks that a process has on it.

    Raises:
        RecordDamaged: the journal is not this record's.
    """
    journal = journal_of(path)
    for _ in range(_TRIES):
        try:
            before = _header(path)
            with journal.open("rb") as file:
                why = _misfit(file, before, path.stat().st_size)
            if before == _header(path):
                break
        except FileNotFoundError:
            return
    if why:
        raise RecordDamaged(
            f"The file {journal.name} beside the record belongs to another database: {why}.",
            "Nothing was opened or changed. If ledger.sqlite3 was put there from a copy, move that "
            "journal elsewhere and prove the record (`platemark ledger verify`); else put back the "
            "ledger.sqlite3 that it lay beside.",
        )


def _header(path: Path) -> bytes:
    with path.open("rb") as file:
        return file.read(100)


def _misfit(journal: BinaryIO, header: bytes, size: int) -> str:
    """Say why SQLite must not play a journal back; empty where it may, or will not."""
    head = journal.read(28)
    if len(head) < 28 or head[:8] != MAGIC:
        return ""  # not finished, so nothing was written to the database: SQLite passes it over
    pages, sector, page_size = struct.unpack(">III", head[16:28])
    if size < pages * page_size:
        return "it is of one that was longer"
    if len(header) < 100 or not pages:
        return ""
    if _page_size(header) != page_size:
        return "it is of one with other pages"
    first = _first_page(journal, sector, page_size)
    if first is None:
        # The first page was not written to, so it still says how long the database was.
        return "" if _number(header, 28) == pages else "it is of one of another length"
    if _number(header, 24) - _number(first, 24) in (0, 1):
        return ""
    return "it was begun at another state than this file is in"


def _page_size(header: bytes) -> int:
    size = int.from_bytes(header[16:18], "big")
    return 65536 if size == 1 else size


def _number(page: bytes, at: int) -> int:
    return int.from_bytes(page[at : at + 4], "big")


def _first_page(journal: BinaryIO, sector: int, page_size: int) -> bytes | None:
    """The database's first page as it was when the journal was begun, where it is in there."""
    at = 0
    while True:
        journal.seek(at)
        head = journal.read(28)
        if len(head) < 28 or head[:8] != MAGIC:
            return None
        at += sector
        for _ in range(_number(head, 8)):
            journal.seek(at)
            number = journal.read(4)
            if len(number) < 4:
                return None
            if int.from_bytes(number, "big") == 1:
                return journal.read(page_size)
            at += page_size + 8
        at += -at % sector
