"""Claimed to examined or held: facts, checks, plan. All findings at once, nothing touched."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import replace
from functools import partial
from pathlib import Path
from typing import Any

import structlog

from platemark import durable
from platemark.checks import run_checks
from platemark.engine.editions import LIKENESS, recorded, standing_of, unnamed_before
from platemark.engine.knowing import (
    SET_CODES,
    Answers,
    accepted,
    answers_of,
    know_job,
    request_key,
)
from platemark.engine.lifecycle import look_again, move
from platemark.engine.measuring import Measured, digest_of, measure, task_for
from platemark.engine.profiles import register
from platemark.engine.reprinted import BODY, body_of_first, newest_body
from platemark.engine.test_prints import claim_further_prints, decided, log_claimed
from platemark.engine.then_and_now import (
    SideBySide,
    as_recorded,
    task_to_compare,
    with_comparison,
    with_plan,
)
from platemark.engine.workshop import Workshop, space_hashes
from platemark.ledger.approvals import APPROVED_BY, Approvals
from platemark.ledger.read import JobRow
from platemark.ledger.store import Transaction
from platemark.model.asking import stop
from platemark.model.edition import EditionStanding
from platemark.model.errors import ChildFault
from platemark.model.finding import Acceptance, Finding
from platemark.model.known import Known
from platemark.model.measures import Measures
from platemark.model.picture import FACTS_VERSION, Facts
from platemark.model.plain import from_plain, to_plain
from platemark.model.plan import Plan, plan_hash
from platemark.model.planning import drawing_lines, usual_intent
from platemark.model.request import PERSONAL_KEYS
from platemark.model.work import Failure, ProbeReport, ProbeTask, Report

Outcome = Report | Measured | SideBySide | Failure
STEP = "examine"
MEASURES, MEASURED, PROOF = "picture_measures", "measured_sha256", "proof_sha256"
"""In the record: a picture's measures, the digest of what they depend on beside its bytes, and the
proof sheet that was drawn with them, by its content."""
PROOF_FORM = "jpg"
_PROOF_MB = 16
ATTEMPTS = 2
"""A picture that kills its process this often is held."""
STARTS = 5
"""A picture that was begun this often without an end is held: it may be what ends the service."""


def begin(workshop: Workshop, row: JobRow) -> Callable[[], Outcome] | None:
    """Prepare the reading of a picture; what is returned runs beside the service's own thread.

    None where the job was held instead.
    """
    facts = facts_of(workshop, row)
    # What an older probe did not ask is not known; and the limits may have been raised since.
    if facts is not None and facts.version >= FACTS_VERSION and not facts.over_limit:
        return lambda: ProbeReport(facts)
    if tried_too_often(workshop, row, STEP):
        return None
    workshop.ledger.begin_attempt(row.job, STEP)
    task = ProbeTask(str(original_path(workshop, row)), row.original_name, workshop.header_limits())
    limits = workshop.child_limits(output_mb=1)
    return lambda: workshop.children.run(task, limits)


def finish(
    workshop: Workshop, row: JobRow, outcome: Outcome
) -> Callable[[], Measured | SideBySide | Failure] | None:
    """Record what came of it: examined with a plan, or held with every finding.

    Returns:
        For a picture that was read and can be measured, that work, and for a reprint that would
        differ the comparison with what was sent; what comes of it comes here too. Nothing is
        recorded until then: after a restart the picture is read again.

    Raises:
        ChildFault: the system would not start a process; the job stays as it is.
    """
    if isinstance(outcome, Failure):
        failed(workshop, row, STEP, outcome)
        return None
    beside = outcome if isinstance(outcome, SideBySide) else None
    outcome = beside.after if beside is not None else outcome
    if not isinstance(outcome, ProbeReport | Measured):
        raise TypeError(type(outcome).__name__)
    facts = outcome.facts
    answers = answers_of(workshop.ledger.read, row.job)
    known = know_job(workshop, row, facts, answers)
    task = task_for(known, original_path(workshop, row), workshop.folders.profiles)
    wanted = digest_of(task)
    fits = isinstance(outcome, Measured) and outcome.of == wanted
    measured: dict[str, Any] = {}
    if not fits:
        # Where a profile or the settings changed meanwhile, it is measured anew.
        measured = _measured_before(workshop, row, wanted)
        if not measured and task is not None:
            looked_for = bool(workshop.settings.editions)
            task = replace(task, proof=str(_proof_spool(workshop, row)), likeness=looked_for)
            limits = workshop.child_limits(output_mb=_PROOF_MB)
            return partial(measure, workshop.children, facts, task, limits)
    if isinstance(outcome, Measured) and fits:
        measures = outcome.measures
    else:
        measures = from_plain(Measures, measured[MEASURES]) if measured else None
    known = replace(known, measures=measures)
    known = replace(known, reprint=with_plan(workshop.ledger.read, row, known))
    if beside is None and (comparing := task_to_compare(workshop, row, known, outcome)):
        return comparing
    if beside is not None and known.reprint is not None:
        if beside.drawing is not None:
            workshop.keep_file(beside.drawing, beside.sha256, PROOF_FORM)
        known = replace(known, reprint=with_comparison(known.reprint, beside))
    if isinstance(outcome, Measured) and fits:
        measured = _measured_now(workshop, outcome)
    known = replace(known, editions=_editions(workshop, row, known, measured))
    _decide(workshop, row, known, answers, measured)
    return None


def _editions(
    workshop: Workshop, row: JobRow, known: Known, measured: dict[str, Any]
) -> EditionStanding | None:
    """How a job stands to the editions, now that its picture was looked at."""
    read, likeness = workshop.ledger.read, measured.get(LIKENESS, "")
    return standing_of(
        read, workshop.settings, known, row.original_sha256, job=row.job, likeness=likeness
    )


def _decide(
    workshop: Workshop, row: JobRow, known: Known, answers: Answers, measured: dict[str, Any]
) -> None:
    findings = (*run_checks(known), *_accepted_of_set(workshop, row, answers.acceptances))
    taken = accepted(known, findings, answers.acceptances)
    open_stops = [f for f in findings if f.severity == "stop" and f.code not in taken]
    if "profile-changed" in taken and known.lab is not None and known.product is not None:
        by = taken["profile-changed"].by
        register(workshop, known.lab, known.product, known.profile.sha256, by)
    read, hashes = workshop.ledger.read, space_hashes()
    made = None if open_stops else decided(read, row, known, hashes)
    further: tuple[int, ...] = ()
    unnamed = [] if made is None else unnamed_before(read, known, row)
    with workshop.ledger.transaction() as transaction:
        body = _body(transaction, known, findings, taken) | measured
        if known.reprint is not None:
            body[BODY] = as_recorded(known.reprint)
        if made is None:
            if known.reprint is not None and known.reprint.drawing:
                # What a person is to look at; the lab is shown the proof of what it prints.
                body |= {PROOF: known.reprint.drawing, MEASURED: ""}
            move(transaction, row, "held", "held", body)
        else:
            body |= _planned(made.printed, made.plan) | made.said
            body |= recorded(known, measured.get(LIKENESS, ""))
            body["summary"]["size"] = body["measures"]["size"]
            if known.approval is not None:
                body["links"] = [{"other": known.approval.test, "kind": APPROVED_BY}]
            move(transaction, row, "examined", "examined", body)
            further = claim_further_prints(workshop, transaction, row, known)
        for other in unnamed:
            look_again(transaction, read, other, "another print of its picture names an edition")
        transaction.forget_attempts(row.job, STEP)
        _supersede(workshop, transaction, row, known)
    log_claimed(further, row)
    log = structlog.get_logger()
    if made is None:
        log.info("held", job=row.job, name=known.name, codes=[f.code for f in open_stops])
    else:
        log.info("examined", job=row.job, name=known.name, findings=len(findings))


def _measured_before(workshop: Workshop, row: JobRow, wanted: str) -> dict[str, Any]:
    """What the record has of a job's measures, where all that they depend on is the same."""
    for body in (_last_body(workshop, row), *_bodies_before(workshop, row)):
        # An earlier version drew no proof.
        if not wanted or body.get(MEASURED) != wanted or PROOF not in body:
            continue
        # Before there were editions nobody looked for it.
        if workshop.settings.editions and not body.get(LIKENESS):
            continue
        if workshop.folders.archived(body[PROOF], PROOF_FORM).exists():
            return {key: body[key] for key in (MEASURES, MEASURED, PROOF, LIKENESS) if key in body}
    return {}


def _measured_now(workshop: Workshop, outcome: Measured) -> dict[str, Any]:
    """Put the proof into the archive; what is recorded comes after it."""
    if outcome.measures is None or outcome.proof is None:
        return {}
    workshop.keep_file(outcome.proof, outcome.proof_sha256, PROOF_FORM)
    return {
        MEASURES: to_plain(outcome.measures),
        MEASURED: outcome.of,
        PROOF: outcome.proof_sha256,
        **({LIKENESS: outcome.likeness} if outcome.likeness else {}),
    }


def _proof_spool(workshop: Workshop, row: JobRow) -> Path:
    spool = workshop.folders.scratch("spool") / f"proof-{row.job}.{PROOF_FORM}"
    durable.remove_file(spool)
    return spool


def _supersede(workshop: Workshop, transaction: Transaction, row: JobRow, known: Known) -> None:
    """A corrected picture of the same name takes the place of a held job of its order."""
    for earlier in known.earlier:
        same = earlier.same_name and not earlier.same_bytes
        if not same or earlier.state != "held" or earlier.order != known.resolved.request.order:
            continue
        replaced = workshop.ledger.read.job(earlier.job)
        if replaced is not None and replaced.surface == row.surface:
            body = {"why": "a corrected picture took its place", "superseded_by": row.job}
            move(transaction, replaced, "superseded", "withdrawn", body)


def _accepted_of_set(
    workshop: Workshop, row: JobRow, acceptances: tuple[Acceptance, ...]
) -> tuple[Finding, ...]:
    """The findings of a job's set that were accepted: they travel, and no check repeats them."""
    before = (from_plain(Finding, item) for item in _last_body(workshop, row).get("findings", []))
    return tuple(
        finding
        for finding in before
        if finding.code in SET_CODES and any(each.covers(finding) for each in acceptances)
    )


def hold(
    workshop: Workshop, row: JobRow, *stops: Finding, trace: str = "", step: str = STEP
) -> None:
    """Hold a job for what the checks of its picture do not ask.

    A killed process, a bug, a late change, the rest of its set.
    """
    body = held_body(workshop, row, *stops, trace=trace)
    with workshop.ledger.transaction() as transaction:
        move(transaction, row, "held", "held", body)
        transaction.forget_attempts(row.job, step)
    structlog.get_logger().warning(
        "held", job=row.job, name=row.original_name, codes=[each.code for each in stops]
    )


def held_body(workshop: Workshop, row: JobRow, *stops: Finding, trace: str = "") -> dict[str, Any]:
    """What the entry says that holds a job for other reasons than its picture's checks."""
    # As it stands in the chain: personal words stay beside it.
    seqs = [seq for seq in (row.examined_seq, row.held_seq) if seq is not None]
    entry = workshop.ledger.read.entry(max(seqs)) if seqs else None
    before = entry.body if entry is not None else {}
    body: dict[str, Any] = {
        key: before[key]
        for key in (
            "facts",
            "request",
            "sources",
            "lab",
            "product",
            MEASURES,
            MEASURED,
            PROOF,
            LIKENESS,
            BODY,
        )
        if key in before
    }
    findings = [item for item in before.get("findings", []) if item["severity"] == "caution"]
    body["findings"] = [*to_plain(stops), *findings]
    # What was accepted with other figures is asked again.
    asked_now = {each.code for each in stops}
    body["accepted"] = [a for a in before.get("accepted", []) if a["code"] not in asked_now]
    body["trace"] = trace
    return body


def tried_too_often(workshop: Workshop, row: JobRow, step: str) -> bool:
    """Hold a job whose step was begun again and again and never came to an end."""
    if workshop.ledger.read.attempts(row.job, step) < STARTS:
        return False
    failed(workshop, row, step, Failure("killed", "the service ended whenever it was worked on"))
    return True


def facts_of(workshop: Workshop, row: JobRow) -> Facts | None:
    """A job's facts, where its picture was already read, as that probe told them."""
    bodies = (_last_body(workshop, row), *_bodies_before(workshop, row))
    facts = next((body["facts"] for body in bodies if body.get("facts") is not None), None)
    return from_plain(Facts, facts) if facts is not None else None


def _bodies_before(workshop: Workshop, row: JobRow) -> Iterator[dict[str, Any]]:
    """What was recorded of the job that another is the same print as, or a part of the test of."""
    read = workshop.ledger.read
    yield body_of_first(read, row)
    first = Approvals(read).first_of(row.job)
    of_test = read.job(first) if first != row.job else None
    if of_test is not None:
        yield newest_body(read, of_test)


def plan_of(workshop: Workshop, row: JobRow) -> Plan:
    """The plan of an examined job."""
    return from_plain(Plan, workshop.ledger.read.body(row.examined_seq)["plan"])


def original_path(workshop: Workshop, row: JobRow) -> Path:
    """Where a job's original is in the archive."""
    body = workshop.ledger.read.body(row.claimed_seq)
    return workshop.folders.archived(row.original_sha256, body["original"]["extension"])


def failed(workshop: Workshop, row: JobRow, step: str, failure: Failure) -> None:
    """Answer a child process that brought no report: try again, or hold the job.

    Raises:
        ChildFault: the system would not start it; the job stays as it is.
    """
    structlog.get_logger().warning(
        "step-failed", job=row.job, step=step, kind=failure.kind, why=failure.sentence
    )
    if failure.kind == "world":
        raise ChildFault(failure.sentence, "The job waits and is tried again.")
    if failure.kind in ("killed", "deadline", "memory"):
        if workshop.ledger.read.attempts(row.job, step) < ATTEMPTS:
            return
        finding = stop(
            "file-stops-its-reader",
            "assistant",
            f"{row.original_name} stopped its reading process "
            f"{workshop.ledger.read.attempts(row.job, step)} times: "
            f"{failure.sentence.rstrip('.')}.",
            "Open it in your editor, save it under a new name and drop that. Accepting means: "
            "try it again.",
            figures={"step": step},
        )
    elif failure.kind == "picture":
        finding = stop(
            "file-unprintable",
            "never",
            f"{row.original_name} cannot be used: {failure.sentence}.",
            "Open it in your editor, save it under a new name and drop that.",
        )
    else:
        finding = stop(
            "our-fault",
            "assistant",
            f"Platemark made a mistake with {row.original_name}; the picture is safe and "
            "unchanged.",
            "Tell whoever looks after Platemark and name this job. Accepting means: try it again.",
            figures={"step": step},
        )
    hold(workshop, row, finding, trace=failure.trace, step=step)


def _last_body(workshop: Workshop, row: JobRow) -> dict[str, Any]:
    return newest_body(workshop.ledger.read, row)


def _body(
    transaction: Transaction,
    known: Known,
    findings: tuple[Finding, ...],
    taken: dict[str, Acceptance],
) -> dict[str, Any]:
    request = to_plain(known.resolved.request)
    for key in (*PERSONAL_KEYS, "set"):
        if request[key] is not None:
            request[key] = transaction.word(request[key])
    asked = known.resolved.request
    layout = known.layout
    return {
        "facts": to_plain(known.facts),
        "request": request,
        "sources": to_plain(known.resolved.sources),
        "findings": to_plain(findings),
        "accepted": [
            {**to_plain(a), "because": transaction.word(a.because)} for a in taken.values()
        ],
        "lab": known.lab.id if known.lab is not None else None,
        "product": known.product.name if known.product is not None else None,
        "summary": {
            "lab": known.lab.id if known.lab is not None else None,
            "purpose": asked.purpose,
            "size": str(layout.size) if layout is not None else _asked_size(known),
            "copies": asked.copies,
            "due": asked.due.isoformat() if asked.due is not None else None,
            "request_key": request_key(known),
            "order": request["order"],
            "set": request["set"],
        },
    }


def _asked_size(known: Known) -> str | None:
    size = known.resolved.request.size or known.resolved.request.sheet
    return str(size) if size is not None else None


def _planned(known: Known, plan: Plan) -> dict[str, Any]:
    if known.layout is None or known.product is None:
        raise ValueError("a plan without a layout")
    settled = known.settled
    return {
        **(
            {}
            if settled is None or settled.is_nothing
            else {
                "settled": to_plain(settled),
                "usual_intent": usual_intent(known.surface, known.product),
            }
        ),
        "plan": to_plain(plan),
        "plan_sha256": plan_hash(plan),
        "native_ppi": to_plain(known.layout.native_ppi),
        "measures": {
            "size": str(known.layout.size),
            "sheet": str(known.layout.sheet),
            "border": str(known.layout.border) if known.layout.has_border else "none",
            "wrap": str(known.layout.wrap) if known.layout.wrap_px else "none",
        },
        "lines": to_plain(drawing_lines(known.layout, known.surface.direction)),
    }
