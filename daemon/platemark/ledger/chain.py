"""Entries and their hashes: `hash = SHA-256(0x00 ‖ previous ‖ canonical)`.

The leading zero byte keeps an entry's hash apart from any other use of the same bytes
(the leaf prefix of RFC 6962).
"""

from __future__ import annotations

import hashlib
import json
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


@dataclass(frozen=True, slots=True)
class Link:
    """An entry as the chain sees it, its body not taken apart."""

    seq: int
    kind: str
    canonical: bytes
    previous: bytes
    hash: bytes


def link_of(
    seq: int,
    at: str,
    job: int | None,
    kind: str,
    actor: str,
    body: str,
    previous: bytes,
    own: bytes,
) -> Link:
    """Put together what an entry's hash covers from the text that is kept of its body.

    The body is kept in its canonical form, so a change of a single blank in it is found.
    """
    actor_text, at_text, kind_text = (
        json.dumps(text, ensure_ascii=False) for text in (actor, at, kind)
    )
    covered = (
        f'{{"actor":{actor_text},"at":{at_text},"body":{body},'
        f'"job":{"null" if job is None else job},"kind":{kind_text},"seq":{seq}}}'
    )
    return Link(seq, kind, covered.encode("utf-8"), bytes(previous), bytes(own))


def first_fault(links: Iterable[Link], previous: bytes, next_seq: int) -> Fault | None:
    """Follow the chain and name the first entry that does not hold.

    Args:
        links: In order of seq.
        previous: Hash of the entry before the first, or `FIRST_PREVIOUS`.
        next_seq: The number that the first must have.
    """
    for link in links:
        if link.seq != next_seq:
            return Fault(next_seq, f"Entry {next_seq} is missing; after it comes {link.seq}.")
        if link.previous != previous:
            return Fault(link.seq, f"Entry {link.seq} does not follow the entry before it.")
        if hash_entry(previous, link.canonical) != link.hash:
            return Fault(
                link.seq, f"Entry {link.seq} ({link.kind}) was changed after it was written."
            )
        previous = link.hash
        next_seq += 1
    return None
