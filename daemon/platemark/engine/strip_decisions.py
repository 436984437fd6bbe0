"""A returned strip's readings taken in and judged, and what a person decides about a drift."""

from __future__ import annotations

import errno
import hashlib
import os
import stat
from pathlib import Path

import structlog

from platemark import durable
from platemark.engine.examine import plan_of
from platemark.engine.hold import stops_of
from platemark.engine.lifecycle import being_sealed, look_again
from platemark.engine.people import photographer, signer
from platemark.engine.reprint import SENT
from platemark.engine.seen_since import refuse_stale
from platemark.engine.strip_judging import body_of, judge, numbers_of, told_of
from platemark.engine.strips import trend_of
from platemark.engine.workshop import Workshop
from platemark.intake.answers import is_reason
from platemark.ledger.chain import Entry
from platemark.ledger.read import JobRow
from platemark.ledger.strips import READ, SETTLED, StripRow, Strips
from platemark.model.cgats import LARGEST_FILE
from platemark.model.decision import StripDecision, StripSettleDecision
from platemark.model.errors import DecisionRefused
from platemark.model.job import job_number
from platemark.model.plan import Plan
from platemark.model.surface import Surface
from platemark.model.work import Failure, TrendReport

BESIDE = "readings"
"""Ending of the instrument's file that lies beside a decision."""
_DRIFT = "strip-drift"


def apply_strip(workshop: Workshop, decision: StripDecision) -> str:
    """Take in the readings of a job's strip, judge them, and hold finals where they drifted.

    Returns:
        What was found, for people.

    Raises:
        DecisionRefused: they cannot be used; nothing was recorded.
        ChildFault: they cannot be worked out just now; the decision waits.
    """
    person = signer(workshop.settings.studio, decision.by)
    row, plan, surface = _printed_with_strip(workshop, decision)
    data = _handed_in(workshop, decision, row)
    judged = judge(workshop, decision, row, plan, surface, data)
    kept = workshop.keep_bytes(data, "txt")
    body = body_of(row, judged, kept, len(data))
    seq = workshop.ledger.read.head().seq + 1
    at = workshop.clock.now().isoformat()
    coming = Entry(seq, at, row.job, READ, person.name, body, b"", b"")
    chart = _chart(workshop, body["lab"], row.surface, (coming,))
    held, sent = _finals(workshop, body["lab"], row.surface)
    if judged.verdict != "beyond":
        held = []
    sentence = told_of(workshop, row, judged, held, sent)
    with workshop.ledger.transaction() as transaction:
        said = {
            "chart_sha256": chart,
            "decision": decision.id,
            "because": transaction.word(decision.because),
            "sentence": sentence,
        }
        transaction.append(READ, body | said, job=row.job, actor=person.name)
        for each in held:
            look_again(
                transaction, workshop.ledger.read, each, "a strip of its surface has drifted"
            )
    structlog.get_logger().info(READ, job=row.job, verdict=judged.verdict, by=person.name)
    return sentence


def apply_strip_settle(workshop: Workshop, decision: StripSettleDecision) -> str:
    """Record that a drift was decided about, and take up the finals that it held.

    Returns:
        What was done, for people.

    Raises:
        DecisionRefused: it cannot be; nothing was changed.
    """
    person = photographer(
        workshop.settings.studio, decision.by, "A drift is for the photographer to decide about"
    )
    strips = Strips(workshop.ledger.read)
    about = f"{decision.surface} of {decision.lab}"
    if not is_reason(decision.because):
        raise DecisionRefused(f"{about}: nothing says why.", "Give a reason with --because.")
    rows = strips.of_product(decision.lab, decision.surface)
    _refuse_stale_settle(decision, rows, about)
    newest = rows[-1]
    is_open = any(row.is_open for row in rows)
    if not is_open and not decision.as_reference:
        raise DecisionRefused(
            f"No strip of {about} is beyond its limits without a word on it.",
            "See `platemark strip trend`.",
        )
    reference = newest.seq if decision.as_reference else None
    waiting = _waiting_for(workshop, decision.lab, decision.surface)
    sentence = _settled_words(about, newest, reference, is_open, waiting)
    chart = _chart(workshop, decision.lab, decision.surface, (), reference)
    with workshop.ledger.transaction() as transaction:
        body = {
            "lab": decision.lab,
            "surface": decision.surface,
            "reading": newest.seq,
            "reference": reference,
            "chart_sha256": chart,
            "decision": decision.id,
            "because": transaction.word(decision.because),
            "sentence": sentence,
        }
        transaction.append(SETTLED, body, actor=person.name)
        for row in waiting:
            look_again(
                transaction, workshop.ledger.read, row, "the drift of its surface was decided about"
            )
    structlog.get_logger().info(SETTLED, lab=decision.lab, surface=decision.surface, by=person.name)
    return sentence


def _printed_with_strip(
    workshop: Workshop, decision: StripDecision
) -> tuple[JobRow, Plan, Surface]:
    """The job, which was sent with a strip beside it.

    Raises:
        DecisionRefused: there is no such job, or it has no strip that could have come back.
    """
    number = job_number(decision.job)
    if not is_reason(decision.because):
        raise DecisionRefused(f"Job {number}: nothing says why.", "Give a reason with --because.")
    row = workshop.ledger.read.job(decision.job)
    if row is None:
        raise DecisionRefused(f"There is no job {number}.")
    refuse_stale(workshop, row, decision.expected_seq, "Nothing was recorded.")
    if row.state not in SENT or row.lab is None:
        raise DecisionRefused(
            f"Job {number} is {row.state}: no lab has it, so no strip of it can have come back."
        )
    surface = workshop.settings.surface(row.surface)
    if surface is None:
        raise DecisionRefused(
            f"Job {number} was for {row.surface}, and there is no such surface any more.",
            f"Put surfaces/{row.surface}.toml back, then read the strip again.",
        )
    if row.examined_seq is None:
        raise DecisionRefused(f"Job {number} has no plan any more, so its strip is not known.")
    plan = plan_of(workshop, row)
    if plan.strip is None:
        raise DecisionRefused(
            f"Job {number} was printed without a patch strip.",
            "See that the number is right. A strip is asked for with strip = patches.",
        )
    return row, plan, surface


def _handed_in(workshop: Workshop, decision: StripDecision, row: JobRow) -> bytes:
    """The bytes of the file beside a decision.

    Raises:
        DecisionRefused: they are not there, are others, or were read before.
    """
    number = job_number(row.job)
    try:
        data = readings_bytes(workshop.folders.decisions / f"{decision.id}.{BESIDE}")
    except OSError as error:
        raise DecisionRefused(
            f"Job {number}: the readings cannot be read: {error.strerror}.", "Read them in again."
        ) from error
    if hashlib.sha256(data).hexdigest() != decision.sha256:
        raise DecisionRefused(
            f"Job {number}: the readings were changed on their way.", "Read them in again."
        )
    before = Strips(workshop.ledger.read).of_file(decision.sha256)
    if before is not None:
        raise DecisionRefused(
            f"These very readings were read in already, as the strip of job "
            f"{job_number(before.job)}.",
            "Nothing was recorded. Hand in the file of this job's own strip.",
        )
    return data


def readings_bytes(path: Path) -> bytes:
    """All bytes of an instrument's file, which is a plain file of a sensible size.

    Raises:
        OSError: it cannot be read, or is none.
    """
    descriptor = os.open(path, os.O_RDONLY | os.O_NONBLOCK)
    with os.fdopen(descriptor, "rb") as stream:
        status = os.fstat(descriptor)
        if not stat.S_ISREG(status.st_mode):
            raise OSError(errno.EINVAL, "it is no plain file", str(path))
        if status.st_size > LARGEST_FILE:
            raise OSError(
                errno.EFBIG,
                f"it has {status.st_size:,} bytes, and readings have {LARGEST_FILE:,} at most",
                str(path),
            )
        return stream.read(LARGEST_FILE + 1)


def _chart(
    workshop: Workshop,
    lab: str,
    surface: str,
    newest: tuple[Entry, ...],
    reference: int | None = None,
) -> str | None:
    """Draw how a product's strips went, into the archive; None where it cannot be drawn now."""
    spool = workshop.folders.scratch("spool") / f"strips-{os.getpid()}.png"
    durable.remove_file(spool)
    task = trend_of(
        workshop.ledger.read, workshop.settings, lab, surface, str(spool),
        newest=newest, reference=reference,
    )  # fmt: skip
    outcome = workshop.children.run(task, workshop.child_limits(output_mb=16))
    if not isinstance(outcome, TrendReport):
        why = outcome.sentence if isinstance(outcome, Failure) else type(outcome).__name__
        structlog.get_logger().warning("no-chart", lab=lab, surface=surface, why=why)
        return None
    sha256 = durable.sync_and_hash(spool)
    workshop.keep_file(spool, sha256, "png")
    return sha256


def _finals(workshop: Workshop, lab: str, surface: str) -> tuple[list[JobRow], list[JobRow]]:
    """A product's finals that are ready and in no parcel, and those in parcels not delivered."""
    read = workshop.ledger.read
    sealed = being_sealed(read)
    rows = [
        row
        for state in ("examined", "rendered", "parcelled")
        for row in read.jobs(state=state)
        if (row.lab, row.surface) == (lab, surface) and row.purpose != "test"
    ]
    ready = [row for row in rows if row.state != "parcelled" and row.job not in sealed]
    return ready, [row for row in rows if row not in ready]


def _waiting_for(workshop: Workshop, lab: str, surface: str) -> list[JobRow]:
    """The held jobs of a product that wait for a word on its drift."""
    return [
        row
        for row in workshop.ledger.read.jobs(state="held")
        if (row.lab, row.surface) == (lab, surface)
        and any(stop.code == _DRIFT for stop in stops_of(workshop, row))
    ]


def _settled_words(
    about: str, newest: StripRow, reference: int | None, was_open: bool, waiting: list[JobRow]
) -> str:
    said = [f"The strips of {about}: {'the drift is decided about' if was_open else 'decided'}."]
    if reference is not None:
        said.append(f"The strip of job {job_number(newest.job)} is the reference from now on.")
    else:
        said.append("The reference stays as it was.")
    if waiting:
        said.append(f"Looked at again: {numbers_of(waiting)}.")
    return " ".join(said)


def _refuse_stale_settle(decision: StripSettleDecision, rows: list[StripRow], about: str) -> None:
    if not rows:
        raise DecisionRefused(
            f"No strip of {about} was ever read.",
            "See `platemark strip trend` for those that were.",
        )
    if rows[-1].seq != decision.expected_seq:
        raise DecisionRefused(
            f"Another strip of {about} was read since you looked, of job "
            f"{job_number(rows[-1].job)}: {rows[-1].verdict}.",
            "See `platemark strip trend`, and decide that.",
        )
