"""What is told of the labs' profiles: registered by whom, since when, good until when."""

from __future__ import annotations

import hashlib
from datetime import date, datetime
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

from platemark.engine.profiles import content_of, entry_of
from platemark.ledger.chain import Entry
from platemark.ledger.read import ProfileRow, Reader
from platemark.model.lab import ProfileUse
from platemark.model.studio import Settings

MONTHS = 12


def list_profiles(root: Path, settings: Settings, reader: Reader) -> list[dict[str, Any]]:
    """Every profile that was ever tried for a product, by lab and surface, the oldest word first.

    Returns:
        Plain data; `valid_until` is the date that the lab stated, `old_from` the one from which we
        call a registered one old, both ISO 8601 or None.
    """
    return [_told(root, settings, reader, row) for row in reader.profiles()]


def _told(root: Path, settings: Settings, reader: Reader, row: ProfileRow) -> dict[str, Any]:
    body = reader.filled(entry_of(reader, row).body)
    entry = _brought_about(reader, row)
    zone = ZoneInfo(settings.studio.time_zone)
    since = datetime.fromisoformat(entry.at).astimezone(zone).date()
    use = _use(settings, row)
    registered = row.state == "admitted"
    limit = settings.studio.limits.profile_months
    return {
        "lab": row.lab,
        "surface": row.surface,
        "file": body["file"],
        "state": row.state,
        "description": body["description"],
        "sha256": row.sha256,
        "since": since.isoformat(),
        "by": entry.actor,
        "because": body.get("because"),
        "valid_until": use.valid_until.isoformat() if use and use.valid_until else None,
        "old_from": _months_after(since, limit).isoformat() if registered else None,
        "in_place": use is not None and _hash(root / "profiles" / use.file) == row.sha256,
        "reasons": body["reasons"],
    }


def _brought_about(reader: Reader, row: ProfileRow) -> Entry:
    """The entry that brought a profile to its state: its own, or that of the one in its place."""
    entry = entry_of(reader, row)
    if row.state != "retired" or entry.kind == "profile-retired":
        return entry
    later = reader.entries(row.seq, kind="profile-admitted")
    product = (row.lab, row.surface)
    return next(
        (each for each in later if (each.body["lab"], each.body["surface"]) == product), entry
    )


def _use(settings: Settings, row: ProfileRow) -> ProfileUse | None:
    lab = settings.lab(row.lab)
    product = lab.product_for(row.surface) if lab is not None else None
    return product.profile if product is not None else None


def _months_after(day: date, months: int) -> date:
    """The first day on which the check counts so many months: it does not look at days."""
    years, month = divmod(day.month - 1 + months, MONTHS)
    return date(day.year + years, month + 1, 1)


def _hash(path: Path) -> str:
    try:
        return hashlib.sha256(content_of(path)).hexdigest()
    except OSError:
        return ""
