"""Erases personal words beside the chain: which are whose, and that it was done by a decision.

A word is kept once, however many entries refer to it. Of a job's words only those are erased that
no other job's entries need. What is erased goes with its salt, so that nobody can try names against
the hash that stays in the chain; the chain covers the hash alone and verifies as before.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Collection, Iterator
from dataclasses import dataclass
from typing import Any

from platemark.ledger.following import PAGE
from platemark.ledger.read import Reader

KIND = "words-erased"
"""The entry that says it, one for each job."""

_REFERRING = (
    "SELECT seq, job, kind FROM entries WHERE seq > ? AND instr(body, '\"word\"') > 0"
    f" ORDER BY seq LIMIT {PAGE}"
)
_OF_FILES = ("parcel-sealed", "parcel-read-back")
"""Entries of no job that name each job's file."""


@dataclass(frozen=True, slots=True)
class Words:
    """Personal words of some jobs, by their hashes."""

    own: dict[int, frozenset[str]]
    """Of each job; no other job's entries refer to them."""
    shared: frozenset[str]
    """What others need as well."""

    def all_own(self) -> frozenset[str]:
        """Every word that can be erased."""
        return frozenset().union(*self.own.values())


def words_of(reader: Reader, jobs: Collection[int]) -> Words:
    """Find the personal words of some jobs that are not erased yet.

    All entries that refer to any word are read, by pages: a word may be another job's too.
    """
    wanted = set(jobs)
    ours: dict[int, set[str]] = {job: set() for job in sorted(wanted)}
    others: set[str] = set()
    for job, digest in _references(reader):
        if job in wanted:
            ours[job].add(digest)
        else:
            others.add(digest)
    there = {digest for digest in set().union(*ours.values()) if _is_there(reader, digest)}
    own = {job: frozenset(found & there - others) for job, found in ours.items()}
    return Words(own, frozenset(there & others))


def texts_of(reader: Reader, digests: Collection[str]) -> list[str]:
    """What the words say, so that copies of them can be found."""
    query = "SELECT text FROM words WHERE digest = ?"
    said = (reader.ask("words", query, each) for each in digests)
    return [str(rows[0][0]) for rows in said if rows and rows[0][0] is not None]


def erase(connection: sqlite3.Connection, digests: Collection[str]) -> None:
    """Erase words with their salts, within the caller's transaction; pages of the file are wiped.

    The caller's connection has `secure_delete` on, so that SQLite writes zeros over what it frees.
    """
    connection.executemany(
        "UPDATE words SET text = NULL, salt = x'' WHERE digest = ?", [(each,) for each in digests]
    )


def erased_by_entries(reader: Reader) -> dict[str, int]:
    """Every word that an entry says was erased, with that entry's number."""
    return {
        digest: entry.seq for entry in reader.entries(kind=KIND) for digest in entry.body["words"]
    }


def erased_words(reader: Reader) -> Iterator[str]:
    """Hashes of the words that are not there any more, by pages."""
    last = ""
    while True:
        page = reader.ask(
            "words",
            "SELECT digest FROM words WHERE digest > ? AND text IS NULL ORDER BY digest"
            f" LIMIT {PAGE}",
            last,
        )
        for (digest,) in page:
            yield digest
        if len(page) < PAGE:
            return
        last = page[-1][0]


def _is_there(reader: Reader, digest: str) -> bool:
    return bool(
        reader.ask("words", "SELECT 1 FROM words WHERE digest = ? AND text IS NOT NULL", digest)
    )


def _references(reader: Reader) -> Iterator[tuple[int | None, str]]:
    """Each word that an entry refers to, with the job whose it is; None for no job's."""
    after = 0
    while True:
        page = reader.ask("entries", _REFERRING, after)
        for seq, job, kind in page:
            entry = reader.entry(seq)
            body = entry.body if entry is not None else {}
            files = body.get("files") if kind in _OF_FILES else None
            if isinstance(files, dict):
                for number, word in files.items():
                    yield from ((int(number), digest) for digest in _digests(word))
                body = {key: value for key, value in body.items() if key != "files"}
            # Why somebody erased words is no word of the client's.
            whose = None if kind == KIND else job
            yield from ((whose, digest) for digest in _digests(body))
        if len(page) < PAGE:
            return
        after = page[-1][0]


def _digests(value: Any) -> Iterator[str]:
    if isinstance(value, dict):
        if set(value) == {"word"}:
            if isinstance(value["word"], str):
                yield value["word"]
            return
        for item in value.values():
            yield from _digests(item)
    elif isinstance(value, list):
        for item in value:
            yield from _digests(item)
