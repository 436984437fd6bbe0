"""What a command did beside a running service, left in `work/` for the service to record.

Only the service writes to the record. A report is read once, and what it says of damage is looked
at anew before it is believed; one that is not of the shape that a command leaves is none.
"""

from __future__ import annotations

import json
import secrets
from dataclasses import dataclass, fields
from datetime import datetime
from pathlib import Path
from typing import Any, Literal

import structlog

from platemark import durable
from platemark.engine.archive_check import END, Round
from platemark.engine.copy_place import read_note

FOLDER = "reports"
_BACKUP = {
    "made": str, "seq": int, "hash": str, "to": str, "files": int, "bytes": str, "faults": int,
}  # fmt: skip
_NUMBERS = ("files", "parcels", "bytes", "faults")


@dataclass(frozen=True, slots=True)
class Report:
    """One report."""

    id: str
    kind: Literal["archive", "backup"]
    body: dict[str, Any]
    paths: tuple[str, ...] = ()
    """Files that were found damaged, from the studio's folder."""
    round: Round | None = None
    """A reading of everything that came to its end."""


def leave_report(work: Path, kind: Literal["archive", "backup"], body: dict[str, Any]) -> None:
    """Leave a report for the service, whole."""
    folder = work / FOLDER
    durable.make_folder(folder)
    ident = secrets.token_hex(8)
    scratch = folder / f".{ident}.tmp"
    durable.write_new(scratch, json.dumps({"kind": kind, "body": body}).encode())
    durable.publish(scratch, folder / f"{ident}.json")


def waiting_reports(work: Path) -> list[Report]:
    """Every report that waits; one that is none is removed, as nothing depends on it."""
    found = []
    folder = work / FOLDER
    for path in sorted(folder.glob("*.json")) if folder.is_dir() else ():
        try:
            found.append(_read(path))
        except (OSError, ValueError, KeyError, TypeError, RecursionError) as error:
            structlog.get_logger().warning("report-unreadable", file=path.name, why=str(error))
            durable.remove_tree(path)
    return found


def end_report(work: Path, report: Report) -> None:
    """Remove a report that was recorded."""
    durable.remove_file(work / FOLDER / f"{report.id}.json")


def _read(path: Path) -> Report:
    """Read a report.

    Raises:
        ValueError: it is none; also KeyError, TypeError and OSError.
    """
    told: Any = json.loads(read_note(path))
    kind, body = told["kind"], told["body"]
    if kind == "backup":
        if {key: type(value) for key, value in body.items()} != _BACKUP:
            raise ValueError("a backup that is not told as one is")
        _is_moment(body["made"])
        int(body["bytes"])
        return Report(path.stem, kind, body)
    paths, strays, at = body["paths"], body.get("strays", 0), body.get("round")
    if kind != "archive" or type(paths) is not list or type(strays) is not int or strays < 0:
        raise ValueError("neither an archive's report nor a backup's")
    if not all(type(each) is str for each in paths):
        raise ValueError("a path that is no text")
    return Report(path.stem, kind, body, tuple(paths), _round(at) if at is not None else None)


def _round(told: Any) -> Round:
    if set(told) != {field.name for field in fields(Round)} or told["at"] != END:
        raise ValueError("no reading of everything")
    if not all(type(told[key]) is int and told[key] >= 0 for key in _NUMBERS):
        raise ValueError("a number that is none")
    _is_moment(told["begun"])
    return Round(**told)


def _is_moment(text: Any) -> None:
    if datetime.fromisoformat(text).tzinfo is None:
        raise ValueError("a time without its zone")
