"""Entries and their hashes: `hash = SHA-256(0x00 ‖ previous ‖ canonical)`.

The leading zero byte keeps an entry's hash apart from any other use of the same bytes
(the leaf prefix of RFC 6962).
"""

from __future__ import annotations

import hashlib
from collections.abc import Iterable
from dataclasses import dataclass
from functools import lru_cache
from json.encoder import encode_basestring
from typing import Any

from platemark.model.job import job_number
from platemark.model.plain import canonical

FIRST_PREVIOUS = bytes(32)

Row = tuple[int, bytes, int | None, bytes, bytes, bytes, bytes, bytes]
"""An entry as the chain sees it, byte for byte: seq, at, job, kind, actor, body, previous, hash."""


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
    """A place where the record does not hold."""

    seq: int
    """The entry; 0 where it is about none."""
    sentence: str
    kind: str = ""
    """Of the entry, as it stands there now; empty where that cannot be read."""
    job: int | None = None


def canonical_entry(
    seq: int, at: str, job: int | None, kind: str, actor: str, body: dict[str, Any]
) -> bytes:
    """The bytes that an entry's hash covers, besides the hash before it."""
    return canonical({"seq": seq, "at": at, "job": job, "kind": kind, "actor": actor, "body": body})


def hash_entry(previous: bytes, canonical_bytes: bytes) -> bytes:
    """The hash of an entry, 32 bytes."""
    return hashlib.sha256(b"\x00" + previous + canonical_bytes).digest()


def first_fault(rows: Iterable[Row], previous: bytes, next_seq: int) -> Fault | None:
    """Follow the chain and name the first entry that does not hold.

    What an entry's hash covers is put together from the text that is kept of its body, which is
    its canonical form: a change of a single blank in it is found.

    Args:
        rows: In order of seq.
        previous: Hash of the entry before the first, or `FIRST_PREVIOUS`.
        next_seq: The number that the first must have.
    """
    sha256, quoted = hashlib.sha256, _quoted
    for row in rows:
        seq, at, job, kind, actor, body, before, own = row
        if seq != next_seq:
            what = f"after {'it' if next_seq == 1 else f'entry {next_seq - 1}'} comes {_of(row)}"
            return _fault(row, next_seq, f"Entry {next_seq} is missing: {what}.")
        if before != previous:
            return _fault(
                row,
                seq,
                f"{_of(row, first=True)} does not follow the entry before it: something was put "
                "in, taken out or put elsewhere there.",
            )
        try:
            covered = b'\x00%b{"actor":%b,"at":%b,"body":%b,"job":%b,"kind":%b,"seq":%d}' % (
                previous, quoted(actor), quoted(at), body,
                b"null" if job is None else str(job).encode(), quoted(kind), seq,
            )  # fmt: skip
            holds = sha256(covered).digest() == own
        except (TypeError, ValueError, AttributeError):
            # A value of another kind than the record ever writes.
            holds = False
        if not holds:
            return _fault(row, seq, f"{_of(row, first=True)} was changed after it was written.")
        previous = own
        next_seq += 1
    return None


@lru_cache(maxsize=4096)
def _quoted(text: bytes) -> bytes:
    return encode_basestring(text.decode("utf-8")).encode("utf-8")


def described(seq: int, kind: str, job: int | None) -> str:
    """An entry for people: `entry 5 (held, job 000002)`."""
    about = ", ".join(filter(None, (kind, f"job {job_number(job)}" if job is not None else "")))
    return f"entry {seq} ({about})" if about else f"entry {seq}"


def _of(row: Row, *, first: bool = False) -> str:
    text = described(row[0], _kind(row), _job(row))
    return text[0].upper() + text[1:] if first else text


def _fault(row: Row, seq: int, sentence: str) -> Fault:
    # Of an entry that is missing nobody knows what it was.
    return Fault(seq, sentence, *((_kind(row), _job(row)) if row[0] == seq else ()))


def _kind(row: Row) -> str:
    if not isinstance(row[3], bytes):
        return ""
    text = row[3].decode("utf-8", "replace")
    return "".join(letter if letter.isprintable() else "\ufffd" for letter in text)[:60]


def _job(row: Row) -> int | None:
    return row[2] if isinstance(row[2], int) else None
