"""A test is approved, and what is printed for good is held against it; or that is taken back."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, replace
from datetime import datetime
from typing import Any
from unicodedata import normalize

import structlog

from platemark.delivery import COLLECT
from platemark.engine.lifecycle import being_sealed, look_again
from platemark.engine.people import photographer
from platemark.engine.picture_decisions import (
    ToSettle,
    day_words,
    newest_seq,
    settling,
    settling_of,
    words_of,
)
from platemark.engine.seen_since import refuse_stale
from platemark.engine.test_prints import TEST
from platemark.engine.workshop import Workshop
from platemark.intake.answers import is_reason
from platemark.ledger.approvals import APPROVED, TAKEN_BACK, ApprovalRow, Approvals
from platemark.ledger.read import JobRow, Reader
from platemark.ledger.threads import Threads
from platemark.model.adjusting import BadAdjustment, adjustment_of, parse_adjustment
from platemark.model.approval import AsPrinted
from platemark.model.as_approved import as_planned
from platemark.model.decision import ApprovalDecision, PictureDecision
from platemark.model.errors import DecisionRefused
from platemark.model.job import job_number
from platemark.model.plain import from_plain, to_plain
from platemark.model.plan import Plan

NOTHING = "Nothing was approved."
_ANEW = ("examined", "rendered", "held")
_NOT_SEEN = {
    "claimed": "is only being looked at",
    "examined": "is not printed yet",
    "rendered": "waits for its parcel",
    "held": "is held and waits for an answer",
}


@dataclass(frozen=True, slots=True)
class Test:
    """A test as it stands, with all its prints."""

    __test__ = False

    first: JobRow
    parts: tuple[JobRow, ...]
    approval: ApprovalRow | None
    """The newest word on it."""
    settled_seq: int
    """The newest entry that settled anything for its picture; 0 before the first."""


def whole_test(read: Reader, row: JobRow) -> Test | None:
    """The test that a job is a print of; None for a final, and while that is not known.

    Args:
        read: The record.
        row: Any of the test's jobs.
    """
    approvals = Approvals(read)
    first = read.job(approvals.first_of(row.job))
    if first is None or (first.purpose or "final") != "test":
        return None
    parts = tuple(read.jobs_numbered(approvals.parts_of(first.job)))
    settled = newest_seq(read, settling_of(read, first))
    return Test(first, parts, approvals.of_test(first.job), settled)


def apply_approval(workshop: Workshop, decision: ApprovalDecision) -> str:
    """Approve a test, or take that back, and have finals looked at again that are not sent.

    Returns:
        What was done, for people.

    Raises:
        DecisionRefused: it cannot be; nothing was changed.
    """
    number = job_number(decision.job)
    person = photographer(
        workshop.settings.studio, decision.by, "A test is for the photographer to approve"
    )
    decision = replace(decision, by=person.name)
    if not is_reason(decision.because):
        raise DecisionRefused(f"Job {number}: nothing says why.", "Give a reason with --because.")
    row = workshop.ledger.read.job(decision.job)
    if row is None:
        raise DecisionRefused(f"There is no job {number}.", NOTHING)
    test = whole_test(workshop.ledger.read, row)
    if test is None:
        raise DecisionRefused(
            f"Job {number} is no test print, so there is nothing to approve.",
            'Order a test with `purpose = "test"`, look at it, and approve that.',
        )
    refuse_stale(workshop, test.first, decision.expected_seq, NOTHING)
    if decision.kind == "approve":
        return _approve(workshop, test, decision)
    return _take_back(workshop, test, decision)


def why_not_seen(workshop: Workshop, test: Test) -> str:
    """Say why nobody can have seen a test; empty where somebody can."""
    first = test.first
    number = job_number(first.job)
    if first.state == "withdrawn":
        return f"Test {number} is withdrawn: it was never printed."
    if workshop.ledger.read.recall(first.job) is not None:
        return f"Test {number} was called back from the lab."
    if first.state in _NOT_SEEN:
        return f"Test {number} {_NOT_SEEN[first.state]}: nobody can have seen a print of it."
    lab = workshop.settings.lab(first.lab) if first.lab else None
    if first.state == "parcelled" and lab is not None and lab.delivery.method != COLLECT:
        return f"Test {number} is in parcel {first.parcel}, which has not reached the lab yet."
    return ""


def _approve(workshop: Workshop, test: Test, decision: ApprovalDecision) -> str:
    read, first = workshop.ledger.read, test.first
    if why := why_not_seen(workshop, test):
        raise DecisionRefused(why, f"{NOTHING} Approve it when the print is here.")
    to_settle = _to_settle(workshop, test, decision)
    printed = _printed(read, first)
    if decision.adjust is not None:
        adjust = _adjustment(decision)
        printed = replace(printed, adjust=adjust)
    _refuse_again(workshop, test, printed)
    told = _told(workshop, test, printed, to_settle)
    anew = _finals(workshop, first, to_settle)
    if anew:
        told += f" {_jobs(anew)} looked at again beside it."
    with workshop.ledger.transaction() as transaction:
        body: dict[str, Any] = {
            "original": first.original_sha256,
            "name": first.original_name,
            "surface": first.surface,
            "lab": first.lab,
            "printed": to_plain(printed),
            "settled_with_it": to_settle is not None,
            "decision": decision.id,
            "because": transaction.word(decision.because),
            "sentence": told,
        }
        # It answers the decision, so it is the first of what comes of that.
        transaction.append(APPROVED, body, job=first.job, actor=decision.by)
        if to_settle is not None:
            to_settle.record(workshop, transaction)
        for each in anew:
            look_again(
                transaction, workshop.ledger.read, each, "a test of its picture was approved"
            )
    if to_settle is not None:
        to_settle.log()
    structlog.get_logger().info("approved", job=first.job, name=first.original_name)
    return told


def _take_back(workshop: Workshop, test: Test, decision: ApprovalDecision) -> str:
    first = test.first
    number = job_number(first.job)
    if test.approval is None or test.approval.state != "approved":
        raise DecisionRefused(
            f"Test {number} is not approved, so there is nothing to take back.", "Nothing changed."
        )
    if decision.adjust is not None:
        raise DecisionRefused(
            f"Test {number}: --adjust does not go with taking an approval back.",
            f"Undo an adjustment by itself: `platemark decide {first.job} --adjust none`.",
        )
    anew = _finals(workshop, first, None)
    told = f"The approval of test {number} is taken back; finals are not held against it any more."
    if anew:
        told += f" {_jobs(anew)} looked at again."
    with workshop.ledger.transaction() as transaction:
        body = {
            "decision": decision.id,
            "because": transaction.word(decision.because),
            "sentence": told,
        }
        transaction.append(TAKEN_BACK, body, job=first.job, actor=decision.by)
        for each in anew:
            look_again(
                transaction, workshop.ledger.read, each, "the approval of a test was taken back"
            )
    return told


def _to_settle(workshop: Workshop, test: Test, decision: ApprovalDecision) -> ToSettle | None:
    """The adjustment as it is settled for the picture; None where it stands so already."""
    if decision.adjust is None:
        return None
    read, first = workshop.ledger.read, test.first
    if test.settled_seq != decision.settled_seq:
        row = read.settled(first.original_sha256, first.surface)
        now = words_of(row) if row is not None else "nothing"
        raise DecisionRefused(
            f"Test {job_number(first.job)}: {now} was settled for its picture since you looked.",
            f"{NOTHING} Look at it again (`platemark job {first.job}`).",
        )
    wanted = _adjustment(decision)
    standing = read.settled(first.original_sha256, first.surface)
    if wanted == (standing.adjust if standing is not None else None):
        return None
    return settling(
        workshop,
        PictureDecision(
            id=decision.id,
            kind="picture",
            job=first.job,
            expected_seq=decision.settled_seq,
            adjust=decision.adjust,
            intent=None,
            by=decision.by,
            because=decision.because,
        ),
    )


def _adjustment(decision: ApprovalDecision) -> str | None:
    try:
        adjust = parse_adjustment(decision.adjust or "none")
    except BadAdjustment as error:
        raise DecisionRefused(f"Job {job_number(decision.job)}: {error}.", NOTHING) from error
    return str(adjust) if adjust is not None else None


def _printed(read: Reader, first: JobRow) -> AsPrinted:
    """How the final would have been printed when the test was planned."""
    body = read.body(first.examined_seq)
    tested = body.get(TEST, {}).get("tested")
    if tested is not None:
        return from_plain(AsPrinted, tested)
    if "plan" not in body:
        raise DecisionRefused(
            f"Job {job_number(first.job)} was read back from files and has no plan.",
            f"{NOTHING} Test the picture anew.",
        )
    return as_planned(from_plain(Plan, body["plan"]), first.lab or "", first.surface)


def _refuse_again(workshop: Workshop, test: Test, printed: AsPrinted) -> None:
    approval = test.approval
    if approval is None or approval.state != "approved":
        return
    entry = workshop.ledger.read.entry(approval.seq)
    if entry is None or entry.body["printed"] != to_plain(printed):
        return
    at = workshop.local(datetime.fromisoformat(entry.at))
    raise DecisionRefused(
        f"Test {job_number(test.first.job)} was approved like that by {entry.actor} on "
        f"{day_words(at)}.",
        "Nothing was approved again.",
    )


def _finals(workshop: Workshop, first: JobRow, to_settle: ToSettle | None) -> list[JobRow]:
    """Finals of the picture, or of a file of its name, that are not in a parcel yet."""
    read = workshop.ledger.read
    rows = {row.job: row for row in read.jobs(original=first.original_sha256)}
    for name in {first.original_name, *_spellings(first.original_name)}:
        rows |= {row.job: row for row in read.jobs(name=name)}
    other = {row.job for row in to_settle.anew} if to_settle is not None else set()
    other |= being_sealed(read)
    return [
        rows[job]
        for job in sorted(rows)
        if rows[job].purpose == "final" and rows[job].state in _ANEW and job not in other
    ]


def _spellings(name: str) -> Iterable[str]:
    return (normalize("NFC", name), normalize("NFD", name))


def _told(workshop: Workshop, test: Test, printed: AsPrinted, to_settle: ToSettle | None) -> str:
    first = test.first
    surface = workshop.settings.surface(first.surface)
    on = surface.name if surface is not None else first.surface
    said = [
        f"Test {job_number(first.job)} of {first.original_name} on {on} is approved: finals are "
        "held against it."
    ]
    said.append(to_settle.sentence if to_settle else _adjusted(workshop.ledger.read, test, printed))
    failed = [row for row in test.parts if Threads(workshop.ledger.read).failed(row.job)]
    if failed:
        numbers = ", ".join(job_number(row.job) for row in failed)
        said.append(f"Recorded as failed when it came back: {numbers}.")
    away = [row for row in test.parts if row.state not in ("parcelled", "delivered", "withdrawn")]
    if away:
        numbers = ", ".join(job_number(row.job) for row in away)
        said.append(f"Not printed yet of this test: {numbers}.")
    return " ".join(filter(None, said))


def _adjusted(read: Reader, test: Test, printed: AsPrinted) -> str:
    """How the final is adjusted; or that what is settled by now is not what was approved."""
    first = test.first
    standing = read.settled(first.original_sha256, first.surface)
    adjust = adjustment_of(printed.adjust)
    if standing is not None and standing.adjust != printed.adjust:
        return (
            f"By now its picture is settled otherwise, {words_of(standing)}: finals are held until "
            f"that is undone (`platemark decide {first.job} --adjust "
            f'"{printed.adjust or "none"}"`), or approved with --adjust.'
        )
    return f"They are adjusted as it was: {adjust.words}." if adjust is not None else ""


def _jobs(rows: list[JobRow]) -> str:
    numbers = ", ".join(job_number(row.job) for row in rows)
    return f"Job {numbers} is" if len(rows) == 1 else f"Jobs {numbers} are"
