"""What happened to a job since somebody looked at it, so that a stale word is refused."""

from __future__ import annotations

from platemark.engine.workshop import Workshop
from platemark.ledger.read import JobRow
from platemark.model.errors import DecisionRefused
from platemark.model.job import job_number

_MOST = 4


def refuse_stale(workshop: Workshop, row: JobRow, expected_seq: int, nothing: str) -> None:
    """Refuse the word of a person who saw less of a job than is on record.

    Args:
        workshop: The open studio.
        row: The job as it stands.
        expected_seq: The newest entry about it that the person saw.
        nothing: That nothing was done, as a sentence.

    Raises:
        DecisionRefused: says what has happened since, and by whom.
    """
    if row.seq == expected_seq:
        return
    since = workshop.ledger.read.entries(expected_seq, job=row.job)
    happened = [
        each.kind.replace("-", " ") + (f" by {each.actor}" if each.actor != "service" else "")
        for each in since
    ]
    what = ", then ".join(happened[-_MOST:]) or f"it is {row.state} now"
    raise DecisionRefused(
        f"Job {job_number(row.job)} has moved on since you looked at it: {what}.",
        f"{nothing} Look at it again (`platemark job {row.job}`) and give the command again.",
    )
