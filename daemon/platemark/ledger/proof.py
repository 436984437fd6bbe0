"""What has to agree with the chain, and is not covered by its hashes alone.

The personal words beside the chain, each under its salted hash; the tables that are made from the
entries; and the end of the chain, which nothing in it can prove.
"""

from __future__ import annotations

import hashlib
import sqlite3
from collections.abc import Iterator
from typing import Any

from platemark.ledger import projection
from platemark.ledger.chain import Fault
from platemark.ledger.read import Reader

_KEYS = {
    "jobs": ("job",),
    "drops": ("job",),
    "parcels": ("name",),
    "profiles": ("lab", "surface", "sha256"),
    "settled": ("original", "surface"),
    "decisions": ("id",),
}
_WITH_SEQ = ("jobs", "parcels", "profiles", "settled", "decisions")
_MOST_SHOWN = 60


def find_faults_beside(reader: Reader) -> Iterator[Fault]:
    """Hold words and derived tables against a chain that was found to hold, worst fault first.

    Of each table the first wrong row is named, and every wrong word.
    """
    shortened = find_shortening(reader)
    if shortened is not None:
        yield shortened
        return
    yield from find_word_faults(reader)
    yield from find_table_faults(reader)


def find_shortening(reader: Reader) -> Fault | None:
    """Whether the tables or the last checkpoint speak of entries after the newest one."""
    with reader.standing_still():
        head = reader.head().seq
        newest = max(reader.newest_seq(table) for table in _WITH_SEQ)
        proved = reader.checkpoint().seq
    if max(newest, proved) <= head:
        return None
    return Fault(
        head + 1,
        f"The record ends with entry {head}, but the studio has worked on up to entry "
        f"{max(newest, proved)}: the last entries were removed.",
    )


def find_word_faults(reader: Reader) -> Iterator[Fault]:
    """Name every personal word that is not the one that was recorded; erased ones are fine."""
    for digest, salt, text in reader.words():
        if hashlib.sha256(salt + text.encode("utf-8")).hexdigest() == digest:
            continue
        seq = reader.first_mention(digest)
        where = f"Entry {seq} refers to words that" if seq else "Words beside the record"
        yield Fault(
            seq,
            f"{where} were changed after they were written; they now read “{_cut(text)}”.",
        )


def find_table_faults(reader: Reader) -> Iterator[Fault]:
    """Make the derived tables again from the entries, in memory, and compare."""
    made = sqlite3.connect(":memory:", isolation_level=None)
    try:
        made.execute("BEGIN")
        projection.empty(made)
        seen = _follow(reader, made, 0)
        # The service may go on meanwhile; the rest is followed while it waits.
        with reader.standing_still():
            _follow(reader, made, seen)
            faults = [_compare(reader, made, table) for table in projection.TABLES]
    finally:
        made.close()
    yield from (fault for fault in faults if fault is not None)


def _follow(reader: Reader, made: sqlite3.Connection, after: int) -> int:
    for entry in reader.entries(after):
        projection.apply(made, entry)
        after = entry.seq
    return after


def _compare(reader: Reader, made: sqlite3.Connection, table: str) -> Fault | None:
    """The first row of a table that is not what the entries make of it."""
    columns = [row[1] for row in made.execute(f"PRAGMA table_info({table})")]
    names, keys = ", ".join(columns), ", ".join(_KEYS[table])
    right = made.execute(f"SELECT {names} FROM {table} ORDER BY {keys}").fetchall()
    found = reader.rows(table, names, keys)
    if right == found:
        return None
    places = [columns.index(key) for key in _KEYS[table]]
    by_key = [{tuple(row[at] for at in places): row for row in rows} for rows in (right, found)]
    key = min(key for key in {**by_key[0], **by_key[1]} if by_key[0].get(key) != by_key[1].get(key))
    ours, theirs = by_key[0].get(key), by_key[1].get(key)
    what = f"{table}: {', '.join(map(str, key))}"
    seq = (ours or theirs or ())[columns.index("seq")] if "seq" in columns else 0
    if theirs is None:
        return Fault(seq, f"The studio's tables lack what the entries say ({what}).")
    if ours is None:
        return Fault(seq, f"The studio's tables have what no entry says ({what}).")
    at = next(at for at, value in enumerate(ours) if value != theirs[at])
    return Fault(
        seq,
        f"The studio's tables do not say what the entries say ({what}): {columns[at]} is "
        f"“{_cut(theirs[at])}”, and by the entries it is “{_cut(ours[at])}”.",
    )


def _cut(value: Any) -> str:
    text = "".join(letter if letter.isprintable() else " " for letter in str(value))
    return text if len(text) <= _MOST_SHOWN else f"{text[:_MOST_SHOWN]}…"
