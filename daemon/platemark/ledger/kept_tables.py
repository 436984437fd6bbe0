"""Derives from the entries what must be kept, what is damaged, what went by rule, and upkeep."""

from __future__ import annotations

import sqlite3
from collections.abc import Callable
from typing import Any

from platemark.ledger.chain import Entry

TABLES = (
    "kept", "papers", "removals", "damages", "upkeep", "restored", "numbers", "unplaced",
)  # fmt: skip
"""What `follow` looks after."""
KEYS = {
    "kept": ("kind", "job", "sha256"),
    "papers": ("parcel", "name"),
    "removals": ("seq",),
    "damages": ("path",),
    "upkeep": ("what", "local_date"),
    "restored": ("seq",),
    "numbers": ("lab",),
    "unplaced": ("sha256",),
}
_PRINTED = ("rendered", "parcelled", "delivered")


def follow(connection: sqlite3.Connection, entry: Entry) -> None:
    """Bring these tables up to one more entry, within the caller's transaction."""
    body = entry.body
    state = body.get("state")
    if entry.job is not None and isinstance(state, str) and state not in _PRINTED:
        # A job that goes back is printed anew, and perhaps from another print file.
        _past(connection, "print", entry.job)
    proof = body.get("proof_sha256")
    if entry.job is not None and isinstance(proof, str) and proof:
        _past(connection, "proof", entry.job)
        _keep(connection, entry, "proof", proof, "jpg")
    drawing = body.get("reprint", {}).get("side_by_side")
    if entry.job is not None and drawing:
        # What a person decided by.
        _keep(connection, entry, "then-and-now", drawing, "jpg")
    handler = _HANDLERS.get(entry.kind)
    if handler is not None:
        handler(connection, entry)


def _keep(
    connection: sqlite3.Connection,
    entry: Entry,
    kind: str,
    sha256: str,
    extension: str,
    size: object = None,
) -> None:
    length = int(size) if isinstance(size, str) and size.isdecimal() else None
    connection.execute(
        "INSERT INTO kept (kind, job, sha256, extension, bytes, seq, state, sent)"
        " VALUES (?, ?, ?, ?, ?, ?, 'needed', 0) ON CONFLICT (kind, job, sha256) DO UPDATE SET"
        " seq = excluded.seq, state = 'needed'",
        (kind, entry.job or 0, sha256, extension, length, entry.seq),
    )


def _past(connection: sqlite3.Connection, kind: str, job: int) -> None:
    """What was sent stays needed, whatever becomes of its job."""
    connection.execute(
        "UPDATE kept SET state = 'past'"
        " WHERE kind = ? AND job = ? AND state = 'needed' AND sent = 0",
        (kind, job),
    )


def _claimed(connection: sqlite3.Connection, entry: Entry) -> None:
    original = entry.body["original"]
    if "extension" not in original:
        return
    _keep(
        connection, entry, "original", original["sha256"], original["extension"],
        original.get("bytes"),
    )  # fmt: skip


def _rendered(connection: sqlite3.Connection, entry: Entry) -> None:
    made = entry.body["print_file"]
    _past(connection, "print", entry.job or 0)
    if "extension" not in made:
        return
    _keep(connection, entry, "print", made["sha256"], made["extension"], made.get("bytes"))


def _profile(connection: sqlite3.Connection, entry: Entry) -> None:
    for key in ("sha256", "kept_unregistered"):
        if sha256 := entry.body.get(key):
            _keep(connection, entry, "profile", sha256, "icc")


def _returned(connection: sqlite3.Connection, entry: Entry) -> None:
    photo = entry.body.get("photo")
    if photo is not None:
        _keep(connection, entry, "photo", photo["sha256"], photo["extension"], photo["bytes"])


def _strip(connection: sqlite3.Connection, entry: Entry) -> None:
    read = entry.body.get("readings")
    if read is not None:
        _keep(connection, entry, "readings", read["sha256"], read["extension"], read["bytes"])
    if chart := entry.body.get("chart_sha256"):
        _keep(connection, entry, "chart", chart, "png")


def _sheet(connection: sqlite3.Connection, entry: Entry) -> None:
    _keep(connection, entry, "sheet", entry.body["sha256"], "csv", entry.body.get("bytes"))


def _closed(connection: sqlite3.Connection, entry: Entry) -> None:
    connection.executemany(
        "UPDATE kept SET sent = 1 WHERE job = ? AND state = 'needed'",
        [(job,) for job in entry.body["jobs"]],
    )


def _removal(connection: sqlite3.Connection, entry: Entry) -> None:
    body = entry.body
    connection.execute("INSERT INTO removals (seq, done) VALUES (?, 0)", (entry.seq,))
    for paper in body.get("papers", ()):
        connection.execute(
            "INSERT INTO papers (parcel, name, sha256, extension, seq) VALUES (?, ?, ?, ?, ?)"
            " ON CONFLICT (parcel, name) DO NOTHING",
            (paper["parcel"], paper["name"], paper["sha256"], paper["extension"], entry.seq),
        )
    for paper in (*body.get("papers", ()), *body.get("requests", ())):
        _keep(connection, entry, "paper", paper["sha256"], paper["extension"], paper.get("bytes"))
    connection.executemany(
        "UPDATE kept SET state = 'removed', seq = ? WHERE sha256 = ? AND extension = ?",
        [
            (entry.seq, item["sha256"], item["extension"])
            for item in body["items"]
            if item["place"] == "archive"
        ],
    )


def _removal_done(connection: sqlite3.Connection, entry: Entry) -> None:
    connection.execute("UPDATE removals SET done = ? WHERE seq = ?", (entry.seq, entry.body["of"]))


def _damaged(connection: sqlite3.Connection, entry: Entry) -> None:
    body = entry.body
    connection.execute(
        "INSERT INTO damages (path, seq, expected, found, open) VALUES (?, ?, ?, ?, 1)"
        " ON CONFLICT (path) DO UPDATE SET seq = excluded.seq, expected = excluded.expected,"
        " found = excluded.found, open = 1",
        (body["path"], entry.seq, body["expected"], body["found"]),
    )


def _mended(connection: sqlite3.Connection, entry: Entry) -> None:
    connection.execute(
        "UPDATE damages SET open = 0, seq = ? WHERE path = ?", (entry.seq, entry.body["path"])
    )


def _upkeep_begun(connection: sqlite3.Connection, entry: Entry) -> None:
    body = entry.body
    connection.execute(
        "INSERT INTO upkeep (what, local_date, seq, late, done) VALUES (?, ?, ?, ?, 0)",
        (body["what"], body["local_date"], entry.seq, int(body["late"])),
    )


def _upkeep_done(connection: sqlite3.Connection, entry: Entry) -> None:
    body = entry.body
    connection.execute(
        "UPDATE upkeep SET done = ? WHERE what = ? AND local_date = ?",
        (entry.seq, body["what"], body["local_date"]),
    )


def _morning_written(connection: sqlite3.Connection, entry: Entry) -> None:
    body = entry.body
    connection.execute(
        "INSERT INTO upkeep (what, local_date, seq, late, done) VALUES ('morning', ?, ?, ?, ?)",
        (body["local_date"], entry.seq, int(body["late"]), entry.seq),
    )


def _drop_moved(connection: sqlite3.Connection, entry: Entry) -> None:
    body = entry.body
    connection.execute(
        "UPDATE drops SET device = ?, inode = ?, mtime_ns = ? WHERE job = ?",
        (body["device"], body["inode"], body["mtime_ns"], entry.job),
    )


def _restored(connection: sqlite3.Connection, entry: Entry) -> None:
    body: dict[str, Any] = entry.body
    connection.execute(
        "INSERT INTO restored (seq, last_job) VALUES (?, ?)", (entry.seq, body["last_job"])
    )
    for lab, number in (("", body["last_number"]), *body["last_parcels"].items()):
        connection.execute(
            "INSERT INTO numbers (lab, at_least, seq) VALUES (?, ?, ?)"
            " ON CONFLICT (lab) DO UPDATE SET at_least = excluded.at_least, seq = excluded.seq",
            (lab, number, entry.seq),
        )
    connection.executemany(
        "UPDATE parcels SET state = 'doubtful', seq = ? WHERE name = ?",
        [(entry.seq, name) for name in body["doubtful"]],
    )


def _read_back(connection: sqlite3.Connection, entry: Entry) -> None:
    _claimed(connection, entry)
    if "print_file" in entry.body:
        _rendered(connection, entry)


def _files_found(connection: sqlite3.Connection, entry: Entry) -> None:
    for file in entry.body["files"]:
        connection.execute(
            "INSERT INTO unplaced (sha256, seq) VALUES (?, ?) ON CONFLICT (sha256) DO UPDATE SET"
            " seq = excluded.seq",
            (file["sha256"], entry.seq),
        )
        _keep(connection, entry, "unplaced", file["sha256"], file["extension"], file["bytes"])


def _let_out(connection: sqlite3.Connection, entry: Entry) -> None:
    connection.execute(
        "UPDATE parcels SET state = 'closed', seq = ? WHERE name = ?",
        (entry.seq, entry.body["parcel"]),
    )


_HANDLERS: dict[str, Callable[[sqlite3.Connection, Entry], None]] = {
    "archive-damaged": _damaged,
    "archive-mended": _mended,
    "claimed": _claimed,
    "drop-moved": _drop_moved,
    "files-found": _files_found,
    "job-read-back": _read_back,
    "morning-written": _morning_written,
    "parcel-closed": _closed,
    "parcel-let-out": _let_out,
    "parcel-read-back": _closed,
    "profile-admitted": _profile,
    "profile-refused": _profile,
    "profile-retired": _profile,
    "profile-tried": _profile,
    "record-restored": _restored,
    "removal-begun": _removal,
    "removal-done": _removal_done,
    "rendered": _rendered,
    "returned": _returned,
    "sheet-read": _sheet,
    "strip-read": _strip,
    "strip-settled": _strip,
    "upkeep-begun": _upkeep_begun,
    "upkeep-done": _upkeep_done,
}
