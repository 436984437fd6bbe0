"""The morning digest: what happened since the last one, what waits, and what there is to do.

It is made from the record and the settings alone, so the same morning gives the same words; what
the running service knows besides comes in as the lines of WAITING.txt.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import datetime
from pathlib import Path
from zoneinfo import ZoneInfo

from platemark.engine.digest_happened import answered, sent, taken, went_wrong
from platemark.engine.digest_reminders import reminders
from platemark.engine.digest_waits import held, to_do, waits
from platemark.engine.nights import Due
from platemark.ledger.mornings import Mornings
from platemark.ledger.read import Reader
from platemark.model.morning import Digest, DigestLine, DigestPart, Part
from platemark.model.notice import WaitingLine
from platemark.model.studio import Settings

MOST = 40
"""Lines under one heading; a longer list is read by nobody, and the commands have all of it."""
TITLES: dict[Part, tuple[str, str]] = {
    "to-do": ("To do today", "Nothing."),
    "wrong": ("What went wrong", "Nothing."),
    "held": ("Held, and why", "Nothing is held."),
    "taken": ("Taken in", "Nothing was dropped."),
    "sent": ("Sent", "Nothing was sent."),
    "waits": ("On its way", "Nothing is on its way."),
    "answered": ("Decided by people", ""),
    "reminders": ("What good prints rest on", ""),
}
"""Heading of each part, and what stands there on a quiet day."""


@dataclass(frozen=True, slots=True)
class Moment:
    """The morning that a digest is made for."""

    due: Due
    now: datetime
    next_due: datetime
    lines: Sequence[WaitingLine] = ()
    """What WAITING.txt says."""
    troubles: Sequence[DigestLine] = ()
    """What else went wrong, and is in no record."""


def make_digest(reader: Reader, root: Path, settings: Settings, moment: Moment) -> Digest:
    """Make the digest of one morning.

    Args:
        reader: The record.
        root: The studio.
        settings: The studio's.
        moment: The morning.
    """
    zone = ZoneInfo(settings.studio.time_zone)
    before = Mornings(reader).newest()
    since = int(before.body["upto"]) if before is not None else 0
    found: dict[Part, list[DigestLine]] = {
        "wrong": [*moment.troubles, *went_wrong(reader, since)],
        "held": held(reader, since),
        "taken": taken(reader, since),
        "sent": sent(reader, settings, since),
        "waits": waits(reader, settings),
        "answered": answered(reader, since),
        "reminders": reminders(reader, root, settings, moment.now),
    }
    found["to-do"] = to_do(reader, settings, moment.lines, since, found["reminders"])
    # What to do about them stands among what is to do.
    found["reminders"] = [replace(line, next="") for line in found["reminders"]]
    parts = tuple(
        DigestPart(part, title, tuple(found[part][:MOST]), max(0, len(found[part]) - MOST), none)
        for part, (title, none) in TITLES.items()
    )
    return Digest(
        studio=settings.studio.name,
        day=moment.due.day,
        made=shown_moment(moment.now.astimezone(zone)),
        since=shown_moment(datetime.fromisoformat(before.at).astimezone(zone)) if before else "",
        late=moment.due.late,
        missed=moment.due.missed,
        headline=headline(found),
        parts=parts,
        upto=reader.head().seq,
        next_due=shown_moment(moment.next_due.astimezone(zone)),
    )


def headline(found: dict[Part, list[DigestLine]]) -> str:
    """What happened and what waits, in one line that stands by itself."""
    counted = [
        _count(len(found["taken"]), "picture taken in", "pictures taken in"),
        _count(len(found["sent"]), "parcel sent", "parcels sent"),
        _count(len(found["held"]), "held", "held"),
        _count(len(found["wrong"]), "thing went wrong", "things went wrong"),
        _count(len(found["to-do"]), "thing to do", "things to do"),
    ]
    said = ", ".join(each for each in counted if each)
    return f"{said}." if said else "A quiet day: nothing happened, and nothing waits for you."


def shown_moment(local: datetime) -> str:
    """A local moment for people: `27 November 2026, 07:00`."""
    return f"{local.day} {local:%B %Y, %H:%M}"


def _count(number: int, one: str, many: str) -> str:
    return f"{number} {one if number == 1 else many}" if number else ""
