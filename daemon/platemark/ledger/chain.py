"""Entries and their hashes: `hash = SHA-256(0x00 ‖ previous ‖ canonical)`.

The leading zero byte keeps an entry's hash apart from any other use of the same bytes
(the leaf prefix of RFC 6962).
"""

from __future__ import annotations

import hashlib
from collections.abc import Iterable
from dataclasses import dataclass
from typing import Any

from platemark.model.plain import canonical

FIRST_PREVIOUS = bytes(32)


@dataclass(frozen=True, slots=True)
class Entry:
    """One thing that happened."""

    seq: int
    at: str
    """UTC, RFC 3339 with milliseconds."""
    job: int | None
    kind: str
    actor: str
    body: dict[str, Any]
    previous: bytes
    hash: bytes


@dataclass(frozen=True, slots=True)
class Fault:
    """The first place where the record does not hold."""

    seq: int
    sentence: str


def canonical_entry(
    seq: int, at: str, job: int | None, kind: str, actor: str, body: dict[str, Any]
) -> bytes:
    """The bytes that an entry's hash covers, besides the hash before it."""
    return canonical({"seq": seq, "at": at, "job": job, "kind": kind, "actor": actor, "body": body})


def hash_entry(previous: bytes, canonical_bytes: bytes) -> bytes:
    """The hash of an entry, 32 bytes."""
    return hashlib.sha256(b"\x00" + previous + canonical_bytes).digest()


def first_fault(entries: Iterable[Entry], previous: bytes, next_seq: int) -> Fault | None:
    """Follow the chain and name the first entry that does not hold.

    Args:
        entries: In order of seq.
        previous: Hash of the entry before the first, or `FIRST_PREVIOUS`.
        next_seq: The number that the first must have.
    """
    for entry in entries:
        if entry.seq != next_seq:
            return Fault(next_seq, f"Entry {next_seq} is missing; after it comes {entry.seq}.")
        if entry.previous != previous:
            return Fault(entry.seq, f"Entry {entry.seq} does not follow the entry before it.")
        expected = hash_entry(
            previous,
            canonical_entry(entry.seq, entry.at, entry.job, entry.kind, entry.actor, entry.body),
        )
        if expected != entry.hash:
            return Fault(
                entry.seq, f"Entry {entry.seq} ({entry.kind}) was changed after it was written."
            )
        previous = entry.hash
        next_seq += 1
    return None
