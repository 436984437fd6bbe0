"""What has to agree with the chain, and is not covered by its hashes alone.

The personal words beside the chain, each under its salted hash; the tables that are made from the
entries; and the end of the chain, which nothing in it can prove.
"""

from __future__ import annotations

import hashlib
import sqlite3
from collections.abc import Iterator
from functools import partial
from typing import Any

from platemark.ledger import projection
from platemark.ledger.chain import Fault
from platemark.ledger.erasing import erased_by_entries, erased_words
from platemark.ledger.following import PAGE
from platemark.ledger.form import MENDED_BY
from platemark.ledger.read import Reader
from platemark.model.progress import Watch, unwatched

Key = tuple[Any, ...]

_WITHOUT_SEQ = "drops"
"""The one derived table whose rows do not say by which entry they came."""
_MOST_SHOWN = 60


def find_faults(reader: Reader, watch: Watch = unwatched) -> list[Fault]:
    """Everything that does not hold, worst first; a record that is broken proves nothing more.

    The first broken entry is named before what SQLite finds wrong with its file.

    Args:
        reader: The record.
        watch: Told of the entries that were followed, and of those of which tables were made.
    """
    head = reader.head().seq
    damaged = reader.find_file_faults()
    broken = reader.find_fault(watch=lambda seq: watch("Following the entries", seq, head))
    if broken is not None or damaged:
        return [*filter(None, (broken,)), *damaged]
    formless = reader.find_form_faults()
    if formless:
        # Tables that are not what they should be cannot be held against anything.
        return [*formless, *filter(None, (find_shortening(reader),)), *find_word_faults(reader)]
    return list(find_faults_beside(reader, watch))


def find_faults_beside(reader: Reader, watch: Watch = unwatched) -> Iterator[Fault]:
    """Hold words and derived tables against a chain that was found to hold, worst fault first.

    Of each table the first wrong row is named, and every wrong word.
    """
    shortened = find_shortening(reader)
    if shortened is not None:
        yield shortened
        return
    proved = reader.checkpoint()
    entry = reader.entry(proved.seq) if proved.seq else None
    if entry is not None and entry.hash.hex() != proved.hash:
        yield Fault(
            proved.seq,
            f"The mark up to which the record was proved is not that of entry {proved.seq}: "
            f"it was changed, or the record was rewritten.",
        )
    yield from find_word_faults(reader)
    yield from find_unsaid_erasures(reader)
    yield from find_table_faults(reader, watch)


def find_shortening(reader: Reader) -> Fault | None:
    """Whether the tables or the last checkpoint speak of entries after the newest one."""
    with reader.standing_still():
        head = reader.head().seq
        newest = max(
            reader.newest_seq(table) for table in projection.TABLES if table != _WITHOUT_SEQ
        )
        proved = reader.checkpoint().seq
    if max(newest, proved) <= head:
        return None
    return Fault(
        head + 1,
        f"The record ends with entry {head}, but the studio has worked on up to entry "
        f"{max(newest, proved)}: the last entries were removed.",
    )


def find_word_faults(reader: Reader) -> Iterator[Fault]:
    """Name every personal word that is not the one that was recorded.

    One that is not there is fine where an entry says that it was erased.
    """
    erased = erased_by_entries(reader)
    for digest, salt, text in reader.words():
        if digest in erased:
            yield Fault(
                erased[digest],
                f"Words that were erased by entry {erased[digest]} stand beside the record again.",
            )
            continue
        if hashlib.sha256(salt + text.encode("utf-8")).hexdigest() == digest:
            continue
        seq = reader.first_mention(digest)
        where = f"Entry {seq} refers to words that" if seq else "Words beside the record"
        yield Fault(
            seq,
            f"{where} were changed after they were written; they now read “{_cut(text)}”.",
        )


def find_unsaid_erasures(reader: Reader) -> Iterator[Fault]:
    """Name every personal word that is gone although no entry says that it was erased.

    Of a record that was saved from a damaged file the entry may be what was lost.
    """
    if next(reader.entries(kind="rescued"), None) is not None:
        return
    erased = erased_by_entries(reader)
    for digest in erased_words(reader):
        if digest not in erased:
            seq = reader.first_mention(digest)
            where = f"Entry {seq} refers to words that" if seq else "Words beside the record"
            yield Fault(seq, f"{where} are gone, and no entry says that they were erased.")


def find_table_faults(reader: Reader, watch: Watch = unwatched) -> Iterator[Fault]:
    """Make the derived tables again from the entries, in a file of its own, and compare.

    Neither what is made nor what is there is ever held in memory whole.
    """
    # An empty name is a database on the disk that nobody else sees and that ends with us.
    made = sqlite3.connect("", isolation_level=None)
    try:
        for pragma in ("journal_mode = OFF", "synchronous = OFF", "cache_size = -32768"):
            made.execute(f"PRAGMA {pragma}")
        made.execute("BEGIN")
        projection.empty(made)
        seen = _follow(reader, made, 0, watch)
        # The service may go on meanwhile; the rest is followed while it waits.
        with reader.standing_still():
            _follow(reader, made, seen)
            faults = [_compare(reader, made, table) for table in projection.TABLES]
    finally:
        made.close()
    yield from (fault for fault in faults if fault is not None)


def _follow(reader: Reader, made: sqlite3.Connection, after: int, watch: Watch = unwatched) -> int:
    head = reader.head().seq
    for entry in reader.entries(after):
        projection.apply(made, entry)
        after = entry.seq
        if after % PAGE == 0 or after == head:
            watch("Comparing the tables", after, head)
    return after


def _compare(reader: Reader, made: sqlite3.Connection, table: str) -> Fault | None:
    """The first row of a table that is not what the entries make of it."""
    columns = [row[1] for row in made.execute(f"PRAGMA table_info({table})")]
    keys = projection.KEYS[table]
    places = [columns.index(key) for key in keys]
    rows_of = partial(_page_query, table, columns, keys)

    def right(after: Key | None) -> list[Key]:
        query, values = rows_of(after)
        return made.execute(query, values).fetchall()

    def found(after: Key | None) -> list[Key]:
        query, values = rows_of(after)
        return reader.ask(table, query, *values)

    after: Key | None = None
    while True:
        ours, theirs = right(after), found(after)
        if ours != theirs:
            return _first_difference(table, columns, places, ours, theirs)
        if len(ours) < PAGE:
            return None
        after = tuple(ours[-1][at] for at in places)


def _page_query(table: str, columns: list[str], keys: Key, after: Key | None) -> tuple[str, Key]:
    names, order = ", ".join(columns), ", ".join(keys)
    marks = ", ".join("?" * len(keys))
    where = "" if after is None else f" WHERE ({order}) > ({marks})"
    query = f"SELECT {names} FROM {table}{where} ORDER BY {order} LIMIT {PAGE}"
    return query, after or ()


def _first_difference(
    table: str, columns: list[str], places: list[int], right: list[Key], found: list[Key]
) -> Fault:
    """Of two pages that begin after the same row, the first row in which they differ."""
    by_key = [{tuple(row[at] for at in places): row for row in rows} for rows in (right, found)]
    # Of the last keys of two full pages, the greater may only have come into view on one side.
    shared = [max(rows) for rows in by_key if len(rows) == PAGE]
    upto = min(shared) if shared else None
    key = min(
        key
        for key in {**by_key[0], **by_key[1]}
        if by_key[0].get(key) != by_key[1].get(key) and (upto is None or key <= upto)
    )
    ours, theirs = by_key[0].get(key), by_key[1].get(key)
    what = f"{table}: {', '.join(map(str, key))}"
    seq = (ours or theirs or ())[columns.index("seq")] if "seq" in columns else 0
    if theirs is None:
        return Fault(seq, f"The studio's tables lack what the entries say ({what}). {MENDED_BY}")
    if ours is None:
        return Fault(seq, f"The studio's tables have what no entry says ({what}). {MENDED_BY}")
    at = next(at for at, value in enumerate(ours) if value != theirs[at])
    return Fault(
        seq,
        f"The studio's tables do not say what the entries say ({what}): {columns[at]} is "
        f"“{_cut(theirs[at])}”, and by the entries it is “{_cut(ours[at])}”. {MENDED_BY}",
    )


def _cut(value: Any) -> str:
    text = "".join(letter if letter.isprintable() else " " for letter in str(value))
    return text if len(text) <= _MOST_SHOWN else f"{text[:_MOST_SHOWN]}…"
