"""Whether the record's file has the form that it must have: sound, with all tables and guards."""

from __future__ import annotations

import sqlite3
from collections.abc import Iterator
from functools import cache
from importlib import resources
from pathlib import Path

from platemark.ledger.chain import Fault
from platemark.ledger.opening import SPOILT, damage
from platemark.model.errors import RecordDamaged

GUARDED = ("entries", "words", "attempts", "marks")
"""Tables that are not derived from the entries."""
_MOST_TOLD = 3


def sql(name: str) -> str:
    """The text of one of this package's SQL files."""
    return resources.files("platemark.ledger").joinpath(name).read_text("utf-8")


def statements(script: str) -> Iterator[str]:
    """The statements of a script, one by one: a trigger holds semicolons of its own.

    `executescript` would commit.
    """
    pending = ""
    for line in script.splitlines(keepends=True):
        pending += line
        if sqlite3.complete_statement(pending):
            yield pending
            pending = ""


@cache
def _expected() -> dict[str, tuple[str, str, str]]:
    made = sqlite3.connect(":memory:")
    try:
        for script in ("schema.sql", "projection.sql"):
            for statement in statements(sql(script)):
                made.execute(statement)
        return _objects(made)
    finally:
        made.close()


def _objects(connection: sqlite3.Connection) -> dict[str, tuple[str, str, str]]:
    rows = connection.execute(
        "SELECT name, type, tbl_name, coalesce(sql, '') FROM sqlite_master"
        " WHERE name NOT LIKE 'sqlite\\_stat%' ESCAPE '\\'"
    ).fetchall()
    return {str(row[0]): (str(row[1]), str(row[2]), str(row[3])) for row in rows}


def find_form_faults(connection: sqlite3.Connection) -> Iterator[Fault]:
    """Name every table, index and guard that is missing, changed, or not ours.

    Raises:
        sqlite3.DatabaseError: the file is too damaged to say.
    """
    found, right = _objects(connection), _expected()
    for name in sorted(found.keys() | right.keys()):
        if found.get(name) == right.get(name):
            continue
        kind, of, _ = right.get(name) or found[name]
        what = {"trigger": f"guard {name} of", "index": f"index {name} of"}.get(kind, "table")
        thing = f"{what} {of}"
        if name not in right:
            yield Fault(0, f"The record's file holds a {thing}, which is not Platemark's.")
            continue
        how = "was changed" if name in found else "is gone"
        if kind == "trigger":
            sentence = (
                f"The {thing} {how}: without it entries can be changed unseen. Nothing says "
                f"whether any was; prove the record with tickets that are elsewhere (--against). "
                f"{MENDED_BY}"
            )
        elif of in GUARDED and kind == "table":
            sentence = f"The {thing} {how}. `platemark ledger rescue` saves what still holds."
        else:
            sentence = f"The {thing} {how}. {MENDED_BY}"
        yield Fault(0, sentence)


MENDED_BY = "`platemark ledger rebuild-tables` makes it anew from the entries."


def find_file_faults(connection: sqlite3.Connection) -> Iterator[Fault]:
    """Ask SQLite whether its file is sound: every page, every row, every index."""
    try:
        rows = connection.execute(f"PRAGMA integrity_check({_MOST_TOLD})").fetchall()
        if connection.execute("PRAGMA application_id").fetchone()[0] != 0:
            rows.append(("its head was changed",))
        rows += [(sentence,) for sentence in (wrong_length(connection),) if sentence]
    except SPOILT as error:
        fault = damage(error)
        if not isinstance(fault, RecordDamaged):
            raise fault from error
        rows = [(error if isinstance(error, sqlite3.Error) else "a name in it is no text",)]
    told = [" ".join(str(row[0]).split()) for row in rows if row[0] != "ok"][:_MOST_TOLD]
    if told:
        yield Fault(0, f"The file ledger.sqlite3 itself is damaged: {'; '.join(told)}.")


def wrong_length(connection: sqlite3.Connection) -> str:
    """Say whether the file is longer or shorter than its head tells; empty where it is not.

    SQLite passes over a last page that is cut off. While it is read nobody can lengthen it.
    """
    was_reading = connection.in_transaction
    if not was_reading:
        connection.execute("BEGIN")
    try:
        size = connection.execute("PRAGMA page_size").fetchone()[0]
        pages = connection.execute("PRAGMA page_count").fetchone()[0]
        connection.execute("SELECT 1 FROM sqlite_master LIMIT 1").fetchall()
        path = connection.execute("PRAGMA database_list").fetchone()[2]
        there = Path(path).stat().st_size if path else size * pages
    finally:
        if not was_reading:
            connection.execute("COMMIT")
    return "" if there == size * pages else f"it has {there} bytes and should have {size * pages}"
