"""A copy of a lost studio becomes the studio: it knows nothing of what was done since it was made.

So it sends nothing by itself that might have been sent: every job that was not sent yet is held,
closed parcels wait for a person's word, and numbers that may have been given are not given again.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime, timedelta

import structlog

from platemark import durable
from platemark.checks.record_restored import stop_for
from platemark.delivery import COLLECT
from platemark.engine.copy_marker import MARKER, MARKER_AGAIN, CopyMarker
from platemark.engine.examine import hold
from platemark.engine.knowing import restored_of
from platemark.engine.lifecycle import move
from platemark.engine.pack import parcel_folder
from platemark.engine.people import signer
from platemark.engine.workshop import Workshop
from platemark.intake.answers import is_reason
from platemark.ledger.chain import Entry
from platemark.ledger.keeping import Keeping
from platemark.model.errors import DecisionRefused, RecordDamaged, UsageError
from platemark.model.studio import Person

JOBS_LEFT_OUT = 1000
PARCELS_LEFT_OUT = 100
"""At least so many numbers are left out, more where the studio was busier than that."""


@dataclass(frozen=True, slots=True)
class TakenOver:
    """What came of it."""

    held: tuple[int, ...]
    doubtful: tuple[str, ...]
    first_job: int
    """The next job's number."""


def take_over(workshop: Workshop, marker: CopyMarker, by: str, because: str) -> TakenOver:
    """Make a copy the studio. May be done again after a crash at any point; the marker goes last.

    Args:
        workshop: The copy's, with its lock held and nothing of it begun.
        marker: What the copy says of itself.
        by: Who says so.
        because: Why.

    Raises:
        DecisionRefused: nobody of the studio says so, or without a reason.
        RecordDamaged: its record does not hold.
        UsageError: its record is not the one that was copied.
    """
    person = signer(workshop.settings.studio, by)
    if not is_reason(because):
        raise DecisionRefused("Nothing says why.", "Give a reason with --because.")
    fault = workshop.ledger.read.find_fault()
    if fault is not None:
        raise RecordDamaged(
            f"The record of this copy does not hold: {fault.sentence}",
            "Nothing was changed. Use another copy, and keep this one.",
        )
    entry = _restored(workshop, marker) or _record(workshop, marker, person, because)
    held = _hold_unsent(workshop, entry)
    durable.remove_file(workshop.folders.root / MARKER_AGAIN)
    durable.remove_file(workshop.folders.root / MARKER)
    durable.sync_folder(workshop.folders.root)
    structlog.get_logger().warning("record-restored", held=len(held))
    return TakenOver(held, tuple(entry.body["doubtful"]), workshop.ledger.read.newest_job() + 1)


def _restored(workshop: Workshop, marker: CopyMarker) -> Entry | None:
    """The entry by which this very copy was taken over, where that was not finished.

    Raises:
        UsageError: the record is not the one that was copied.
    """
    entry = Keeping(workshop.ledger.read).newest("record-restored")
    if entry is not None and entry.body["copy"] == marker.id:
        return entry
    if workshop.ledger.read.head() != marker.witness:
        raise UsageError(
            "The record of this copy is not the one that was copied: something was written to it.",
            "Nothing was changed. Make the backup's folder whole again, or use another copy.",
        )
    return None


def _record(workshop: Workshop, marker: CopyMarker, person: Person, because: str) -> Entry:
    read = workshop.ledger.read
    # What somebody fetches and is not there any more was fetched before the copy was made.
    fetched = {lab.id for lab in workshop.settings.labs if lab.delivery.method == COLLECT}
    parcels = [row for state in ("closed", "verified") for row in read.parcels(state=state)]
    doubtful = sorted(
        row.name
        for row in parcels
        if row.lab not in fetched or parcel_folder(workshop, row).exists()
    )
    jobs, by_lab = _numbers(workshop, marker)
    with workshop.ledger.transaction() as transaction:
        for parcel in read.parcels(state="sealed"):
            transaction.append("parcel-given-up", {"parcel": parcel.name, "lab": parcel.lab})
        return transaction.append(
            "record-restored",
            {
                "copy": marker.id,
                "copy_made": marker.made,
                "because": transaction.word(because),
                "last_job": read.newest_job(),
                "last_number": jobs,
                "last_parcels": by_lab,
                "doubtful": doubtful,
            },
            actor=person.name,
        )


def _numbers(workshop: Workshop, marker: CopyMarker) -> tuple[int, dict[str, int]]:
    """The last numbers that may have been given since the copy was made, of jobs and by lab.

    Four times what the record's own pace would have given by now, and never fewer than a thousand
    jobs and a hundred parcels: one look at a number tells that it is of the time after.
    """
    read = workshop.ledger.read
    first, jobs = read.entry(1), read.newest_job()
    made, now = datetime.fromisoformat(marker.made), workshop.clock.now()
    began = datetime.fromisoformat(first.at) if first is not None else made
    # Whole seconds and at least a day, so that a young record does not make the pace endless.
    lived = max(made - began, timedelta(days=1)) // timedelta(seconds=1)
    since = max(now - made, timedelta(0)) // timedelta(seconds=1)

    def leave_out(newest: int, least: int) -> int:
        given = 4 * newest * since // lived
        return -(-(newest + max(given, least)) // least) * least

    labs = {row.lab for row in read.parcels()} | {lab.id for lab in workshop.settings.labs}
    return leave_out(jobs, JOBS_LEFT_OUT), {
        lab: leave_out(read.newest_parcel_number(lab), PARCELS_LEFT_OUT) for lab in sorted(labs)
    }


def _hold_unsent(workshop: Workshop, entry: Entry) -> tuple[int, ...]:
    """Hold every job that was not sent when the copy was made.

    A claimed one is held by the check when it is read; one that is held already is read again, so
    that its folder says this too.
    """
    read, last = workshop.ledger.read, entry.body["last_job"]
    for row in read.jobs(state="held"):
        if row.moved_seq < entry.seq:
            with workshop.ledger.transaction() as transaction:
                body = {"why": "the record was restored from a copy"}
                move(transaction, row, "looked-again", "claimed", body)
    for state in ("examined", "rendered"):
        for row in read.jobs(state=state):
            hold(workshop, row, stop_for(row.original_name, restored_of(entry)))
    return tuple(
        row.job
        for state in ("claimed", "held")
        for row in read.jobs(state=state)
        if row.job <= last
    )
