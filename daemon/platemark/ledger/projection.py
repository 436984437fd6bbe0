"""Derives the tables that people and the engine ask from the entries, one entry at a time."""

from __future__ import annotations

import sqlite3
from collections.abc import Callable
from typing import Any

from platemark.ledger import edition_tables, kept_tables, strip_tables, thread_tables
from platemark.ledger.chain import Entry
from platemark.ledger.form import sql, statements

PARTS = (kept_tables, thread_tables, edition_tables, strip_tables)
"""Modules that derive tables of their own, each with `TABLES`, their `KEYS` and `follow`."""
KEYS: dict[str, tuple[str, ...]] = {
    "jobs": ("job",),
    "drops": ("job",),
    "parcels": ("name",),
    "profiles": ("lab", "surface", "sha256"),
    "settled": ("original", "surface"),
    "recalls": ("job",),
    "decisions": ("id",),
    **{table: key for part in PARTS for table, key in part.KEYS.items()},
}
"""Every derived table, and what tells its rows apart."""
TABLES = tuple(KEYS)

_STATE_COLUMNS = {"examined": "examined_seq", "held": "held_seq", "rendered": "rendered_seq"}
_JOB_COLUMNS = ("lab", "purpose", "size", "copies", "due", "request_key", "parcel")


def apply(connection: sqlite3.Connection, entry: Entry) -> None:
    """Bring the derived tables up to one more entry, within the caller's transaction."""
    if entry.kind == "claimed":
        _claimed(connection, entry)
    elif entry.kind == "job-read-back":
        _read_back(connection, entry)
    elif entry.job is not None:
        _moved(connection, entry)
    handler = _HANDLERS.get(entry.kind)
    if handler is not None:
        handler(connection, entry)
    for part in PARTS:
        part.follow(connection, entry)
    decision = entry.body.get("decision")
    if isinstance(decision, str):
        connection.execute(
            "INSERT OR IGNORE INTO decisions (id, seq) VALUES (?, ?)", (decision, entry.seq)
        )


def empty(connection: sqlite3.Connection) -> None:
    """Drop the derived tables and make them anew, within the caller's transaction."""
    for table in TABLES:
        connection.execute(f"DROP TABLE IF EXISTS {table}")
    for statement in statements(sql("projection.sql")):
        connection.execute(statement)


def _word(value: Any) -> str | None:
    return value["word"] if isinstance(value, dict) and "word" in value else None


def _claimed(connection: sqlite3.Connection, entry: Entry) -> None:
    body = entry.body
    connection.execute(
        "INSERT INTO jobs (job, state, seq, claimed_seq, surface, original_name, original_sha256,"
        " moved_at, moved_seq) VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?)",
        (
            entry.job, body["state"], entry.seq, entry.seq,
            body.get("surface", body["drop"]["surface_folder"]), body["name"],
            body["original"]["sha256"], entry.at, entry.seq,
        ),
    )  # fmt: skip
    if "drop_of" in body:
        return
    drop = body["drop"]
    connection.execute(
        "INSERT INTO drops (job, path_hex, device, inode, size, mtime_ns, sha256, "
        "sidecar_hex, here)"
        " VALUES (?, ?, ?, ?, ?, ?, ?, ?, 1)",
        (
            entry.job, drop["path_hex"], drop["device"], drop["inode"], drop["size"],
            drop["mtime_ns"], body["original"]["sha256"], body["sidecar_hex"],
        ),
    )  # fmt: skip


def _read_back(connection: sqlite3.Connection, entry: Entry) -> None:
    """A job that files or a damaged record tell of; one entry says of it all that is known."""
    body = entry.body
    connection.execute(
        "INSERT OR IGNORE INTO jobs (job, state, seq, claimed_seq, surface, original_name,"
        " original_sha256, moved_at, moved_seq) VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?)",
        (
            entry.job, body["state"], entry.seq, entry.seq, body["surface"], body["name"],
            body["original"]["sha256"], entry.at, entry.seq,
        ),
    )  # fmt: skip
    _moved(connection, entry)
    made = body.get("print_file")
    if made is None:
        return
    # Where the record has the very print file, its entries say more of it.
    connection.execute(
        "UPDATE jobs SET examined_seq = ?1, rendered_seq = ?1, print_sha256 = ?2"
        " WHERE job = ?3 AND print_sha256 IS NOT ?2",
        (entry.seq, made["sha256"], entry.job),
    )


def _moved(connection: sqlite3.Connection, entry: Entry) -> None:
    body = entry.body
    values: dict[str, object] = {"seq": entry.seq}
    state = body.get("state")
    if isinstance(state, str):
        values |= {"state": state, "moved_at": entry.at, "moved_seq": entry.seq}
        column = _STATE_COLUMNS.get(entry.kind)
        if column is not None:
            values[column] = entry.seq
    summary = body.get("summary")
    if isinstance(summary, dict):
        values |= {column: summary[column] for column in _JOB_COLUMNS if column in summary}
        for key, column in (("order", "order_word"), ("set", "set_word")):
            if key in summary:
                values[column] = _word(summary[key])
    request = body.get("request")
    if isinstance(request, dict) and isinstance(request.get("title"), str | None):
        values["title"] = request.get("title")
    columns = ", ".join(f"{column} = ?" for column in values)
    connection.execute(f"UPDATE jobs SET {columns} WHERE job = ?", (*values.values(), entry.job))


def _let_go(connection: sqlite3.Connection, entry: Entry) -> None:
    connection.execute("UPDATE drops SET here = 0 WHERE job = ?", (entry.job,))


def _rendered(connection: sqlite3.Connection, entry: Entry) -> None:
    connection.execute(
        "UPDATE jobs SET print_sha256 = ? WHERE job = ?",
        (entry.body["print_file"]["sha256"], entry.job),
    )


def _sealed(connection: sqlite3.Connection, entry: Entry) -> None:
    body = entry.body
    connection.execute(
        "INSERT INTO parcels (name, lab, number, state, seq, tagmanifest, staging)"
        " VALUES (?, ?, ?, 'sealed', ?, ?, ?)"
        " ON CONFLICT (name) DO UPDATE SET seq = excluded.seq,"
        " tagmanifest = excluded.tagmanifest, staging = excluded.staging",
        (
            body["parcel"], body["lab"], body["number"], entry.seq, body["tagmanifest_sha256"],
            body["staging"],
        ),
    )  # fmt: skip
    for job in body.get("recalls", ()):
        connection.execute("UPDATE recalls SET notice = ? WHERE job = ?", (body["parcel"], job))


def _recalled(connection: sqlite3.Connection, entry: Entry) -> None:
    body = entry.body
    connection.execute(
        "INSERT INTO recalls (job, seq, lab, parcel, how) VALUES (?, ?, ?, ?, ?)",
        (entry.job, entry.seq, body["lab"], body["parcel"], body["how"]),
    )


def _given_up(connection: sqlite3.Connection, entry: Entry) -> None:
    _parcel_state("given-up")(connection, entry)
    # A notice that could not be made is made again under another number.
    connection.execute("UPDATE recalls SET notice = NULL WHERE notice = ?", (entry.body["parcel"],))


def _parcel_read_back(connection: sqlite3.Connection, entry: Entry) -> None:
    body = entry.body
    connection.execute(
        "INSERT INTO parcels (name, lab, number, state, seq, tagmanifest, staging)"
        " VALUES (?, ?, ?, ?, ?, ?, '') ON CONFLICT (name) DO UPDATE SET"
        " state = excluded.state, seq = excluded.seq, tagmanifest = excluded.tagmanifest",
        (
            body["parcel"], body["lab"], body["number"], body["becomes"], entry.seq,
            body["tagmanifest_sha256"],
        ),
    )  # fmt: skip
    for job in body.get("recalls", ()):
        connection.execute("UPDATE recalls SET notice = ? WHERE job = ?", (body["parcel"], job))


def _parcel_state(state: str) -> Callable[[sqlite3.Connection, Entry], None]:
    def change(connection: sqlite3.Connection, entry: Entry) -> None:
        connection.execute(
            "UPDATE parcels SET state = ?, seq = ? WHERE name = ?",
            (state, entry.seq, entry.body["parcel"]),
        )

    return change


def _profile(connection: sqlite3.Connection, entry: Entry) -> None:
    body = entry.body
    state = entry.kind.removeprefix("profile-")
    if state == "admitted":
        connection.execute(
            "UPDATE profiles SET state = 'retired' WHERE lab = ? AND surface = ?"
            " AND state = 'admitted'",
            (body["lab"], body["surface"]),
        )
    connection.execute(
        "INSERT INTO profiles (lab, surface, sha256, seq, state) VALUES (?, ?, ?, ?, ?)"
        " ON CONFLICT (lab, surface, sha256) DO UPDATE SET seq = excluded.seq,"
        " state = excluded.state",
        (body["lab"], body["surface"], body["sha256"], entry.seq, state),
    )


def _settled(connection: sqlite3.Connection, entry: Entry) -> None:
    body = entry.body
    connection.execute(
        "INSERT INTO settled (original, surface, seq, version, adjust, intent)"
        " VALUES (?, ?, ?, ?, ?, ?) ON CONFLICT (original, surface) DO UPDATE SET"
        " seq = excluded.seq, version = excluded.version, adjust = excluded.adjust,"
        " intent = excluded.intent",
        (
            body["original"], body["surface"], entry.seq, body["version"], body["adjust"],
            body["intent"],
        ),
    )  # fmt: skip


_HANDLERS: dict[str, Callable[[sqlite3.Connection, Entry], None]] = {
    "let-go": _let_go,
    "rendered": _rendered,
    "parcel-sealed": _sealed,
    "parcel-closed": _parcel_state("closed"),
    "parcel-given-up": _given_up,
    "parcel-taken-back": _parcel_state("taken-back"),
    "parcel-cleared": _parcel_state("taken-back"),
    "parcel-read-back": _parcel_read_back,
    "parcel-verified-at-lab": _parcel_state("verified"),
    "parcel-delivered": _parcel_state("delivered"),
    "picture-settled": _settled,
    "recalled": _recalled,
    "profile-admitted": _profile,
    "profile-refused": _profile,
    "profile-retired": _profile,
    "profile-tried": _profile,
}
