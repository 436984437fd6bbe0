"""`WAITING.txt`: what waits for a person, one line each."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime

from platemark.intake.plain_text import flat
from platemark.model.job import job_number
from platemark.model.notice import WaitingLine


def waiting_text(lines: Sequence[WaitingLine], now: datetime) -> str:
    """Write the note that stands in the hot folder.

    Args:
        lines: What waits, in the order to show.
        now: Local time, for the heading.
    """
    at = f"{now.day} {now:%B %Y, %H:%M}"
    if not lines:
        return f"Nothing waits for a person. ({at})\n"
    count = "One thing waits" if len(lines) == 1 else f"{len(lines)} things wait"
    return "\n".join([f"{count} for a person. ({at})", "", *map(_line, lines)]) + "\n"


def _line(line: WaitingLine) -> str:
    job = "" if line.job is None else f"{job_number(line.job)}  "
    where = f" in {flat(line.where)}" if line.where else ""
    said = " ".join(flat(part) for part in (line.sentence, line.next) if part)
    return f"{job}{flat(line.name)}{where}: {said}"
