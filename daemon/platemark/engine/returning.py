"""Prints that came back, and what labs say of their jobs: recorded, and what comes of it said."""

from __future__ import annotations

import errno
import hashlib
import os
import stat
from fractions import Fraction
from pathlib import Path
from typing import Any

import structlog

from platemark import durable
from platemark.engine.people import signer
from platemark.engine.reprint import SENT
from platemark.engine.seen_since import refuse_stale
from platemark.engine.workshop import Workshop
from platemark.intake.answers import is_reason
from platemark.ledger.read import JobRow
from platemark.model.decision import LabAnswerDecision, ReturnDecision
from platemark.model.errors import ChildFault, DecisionRefused
from platemark.model.job import job_number
from platemark.model.studio import Person
from platemark.model.units import BadSize, orientation_of, parse_full_size, shown
from platemark.model.work import Failure, ProbeReport, ProbeTask

BESIDE = "photo"
"""Ending of the photograph that lies beside the word of a return."""
LARGEST_PHOTO = 64 << 20
"""Bytes; a photograph of a defect is far smaller."""
LONGEST_WORDS = 500
MOST_DEFECTS = 20
_ENDINGS = {"jpeg": "jpg", "png": "png", "tiff": "tif"}
_OFF_MM = 2
"""A print that was measured by hand is told where it is off by more than this."""


def apply_return(workshop: Workshop, decision: ReturnDecision) -> str:
    """Record what a person saw of a print that came back.

    Returns:
        What was recorded, for people; for one that failed the command that has it made again.

    Raises:
        DecisionRefused: it cannot be; nothing was recorded.
        ChildFault: its photograph cannot be looked at just now; the word waits.
    """
    row, person = _sent_job(workshop, decision, "Nothing was recorded.")
    _refuse_words(row, (decision.surface_seen, *decision.defects))
    if len(decision.defects) > MOST_DEFECTS:
        raise DecisionRefused(f"More than {MOST_DEFECTS} defects are too many to record.")
    if decision.passed and decision.defects:
        raise DecisionRefused(
            f"Job {job_number(row.job)}: a print that passed has no defects.",
            "Nothing was recorded. Say --failed, or tell with --because what is there to see.",
        )
    off = _off(row, decision.size)
    photo = _photo(workshop, decision) if decision.photo else None
    sentence = _told(row, decision, person, off)
    with workshop.ledger.transaction() as transaction:
        body: dict[str, Any] = {
            "decision": decision.id,
            "because": transaction.word(decision.because),
            "sentence": sentence,
            "passed": decision.passed,
            "size": decision.size or None,
            "surface_seen": transaction.word(decision.surface_seen)
            if decision.surface_seen
            else None,
            "defects": [transaction.word(defect) for defect in decision.defects],
            "photo": photo,
            "parcel": row.parcel,
        }
        transaction.append("returned", body, job=row.job, actor=person.name)
    structlog.get_logger().info("returned", job=row.job, passed=decision.passed, by=person.name)
    return sentence


def apply_lab_answer(workshop: Workshop, decision: LabAnswerDecision) -> str:
    """Record what a lab said of a job.

    Returns:
        What was recorded, for people, and what to do about it.

    Raises:
        DecisionRefused: it cannot be; nothing was recorded.
    """
    row, person = _sent_job(workshop, decision, "Nothing was recorded.")
    _refuse_words(row, (decision.lot,))
    lab = workshop.settings.lab(row.lab) if row.lab else None
    called = lab.name if lab is not None else row.lab or "The lab"
    number = job_number(row.job)
    said = {
        "accepted": f"{called} has taken job {number}.",
        "made": f"{called} has made job {number}.",
        "question": f"{called} asks something about job {number}. Answer the lab, then record what "
        "came of it with `platemark lab-answer` once more; until then each morning says so.",
        "refused": f"{called} will not make job {number}. Call it back (`platemark recall "
        f"{row.job}`), put right what the lab names, and drop the picture anew.",
    }[decision.says]
    sentence = f"{said}{f' Lot {decision.lot}.' if decision.lot else ''}"
    with workshop.ledger.transaction() as transaction:
        body = {
            "decision": decision.id,
            "because": transaction.word(decision.because),
            "sentence": sentence,
            "says": decision.says,
            "lot": decision.lot or None,
        }
        transaction.append("lab-answered", body, job=row.job, actor=person.name)
    structlog.get_logger().info("lab-answered", job=row.job, says=decision.says, by=person.name)
    return sentence


def _sent_job(
    workshop: Workshop, decision: ReturnDecision | LabAnswerDecision, nothing: str
) -> tuple[JobRow, Person]:
    person = signer(workshop.settings.studio, decision.by)
    number = job_number(decision.job)
    if not is_reason(decision.because):
        raise DecisionRefused(
            f"Job {number}: nothing says why.", f"{nothing} Say it with --because."
        )
    row = workshop.ledger.read.job(decision.job)
    if row is None:
        raise DecisionRefused(f"There is no job {number}.", nothing)
    refuse_stale(workshop, row, decision.expected_seq, nothing)
    if row.state not in SENT:
        raise DecisionRefused(
            f"Job {number} is {row.state}: no lab has it, so none can have made it.", nothing
        )
    return row, person


def _refuse_words(row: JobRow, words: tuple[str, ...]) -> None:
    for text in words:
        if len(text) > LONGEST_WORDS or not text.isprintable():
            raise DecisionRefused(
                f"Job {job_number(row.job)}: “{text[:40]}” cannot be recorded.",
                f"Nothing was recorded. Use one line of at most {LONGEST_WORDS} letters.",
            )


def _off(row: JobRow, measured: str) -> str:
    """Say how far a measured print is from what was ordered; empty where it is near or unsaid."""
    if not measured:
        return ""
    number = job_number(row.job)
    try:
        seen, ordered = parse_full_size(measured), parse_full_size(row.size or measured)
    except BadSize as error:
        raise DecisionRefused(
            f"Job {number}: {error}.", "Nothing was recorded. Write the size like 16x20in."
        ) from error
    seen = seen.standing_like(orientation_of(ordered.w.mm, ordered.h.mm))
    across, down = seen.w.mm - ordered.w.mm, seen.h.mm - ordered.h.mm
    if max(abs(across), abs(down)) <= _OFF_MM:
        return ""
    return (
        f"It measures {measured} and was ordered as {row.size}: "
        f"{_signed(across)} mm in width, {_signed(down)} mm in height."
    )


def _signed(mm: Fraction) -> str:
    return f"{'+' if mm > 0 else '−' if mm < 0 else ''}{shown(abs(mm), 1)}"


def _told(row: JobRow, decision: ReturnDecision, person: Person, off: str) -> str:
    number = job_number(row.job)
    if decision.passed:
        return f"The print of job {number} passed. {off}".rstrip()
    # In people's own words they stand beside the chain, and this sentence stands in it.
    count = len(decision.defects)
    defects = f" with {count} defect{'' if count == 1 else 's'}" if count else ""
    copies = " --copies 1" if (row.copies or 1) > 1 else ""
    again = (
        f'platemark reprint {row.job}{copies} --reason lab-fault --by "{person.name}" --because "…"'
    )
    told = f"The print of job {number} failed{defects}."
    return f"{f'{told} {off}'.rstrip()} To have it made again: `{again}`."


def _photo(workshop: Workshop, decision: ReturnDecision) -> dict[str, str]:
    """Put the photograph into the archive, as it is; only what a child could read as a picture."""
    path = workshop.folders.decisions / f"{decision.id}.{BESIDE}"
    try:
        data = photo_bytes(path)
    except OSError as error:
        raise DecisionRefused(
            f"The photograph cannot be read: {error.strerror}.",
            "Nothing was recorded. Give the command again.",
        ) from error
    sha256 = hashlib.sha256(data).hexdigest()
    if sha256 != decision.photo:
        raise DecisionRefused(
            "The photograph was changed on its way.", "Nothing was recorded. Give it again."
        )
    extension = _ENDINGS[_form_of(workshop, data, sha256)]
    workshop.keep_bytes(data, extension)
    return {"sha256": sha256, "extension": extension, "bytes": str(len(data))}


def _form_of(workshop: Workshop, data: bytes, sha256: str) -> str:
    # A reader that is held to its folder finds it there; its name says nothing of what it is.
    spool = workshop.folders.scratch("spool") / f"photo-{sha256}"
    durable.remove_file(spool)
    durable.write_new(spool, data)
    try:
        task = ProbeTask(str(spool), "photo", workshop.header_limits())
        report = workshop.children.run(task, workshop.child_limits(output_mb=1))
    finally:
        durable.remove_file(spool)
    if isinstance(report, Failure) and report.kind == "world":
        raise ChildFault(report.sentence, "The word of the return waits and is tried again.")
    facts = report.facts if isinstance(report, ProbeReport) else None
    if facts is None or facts.format not in _ENDINGS or facts.damage or facts.over_limit:
        raise DecisionRefused(
            "The photograph is no picture that can be opened: JPEG, PNG and TIFF are.",
            "Nothing was recorded. Save it as JPEG, or leave it out.",
        )
    return facts.format


def photo_bytes(path: Path) -> bytes:
    """All bytes of a photograph, which is a plain file of a sensible size.

    Raises:
        OSError: it cannot be read, or is none.
    """
    # Opening a pipe would wait for somebody to write into it.
    descriptor = os.open(path, os.O_RDONLY | os.O_NONBLOCK)
    with os.fdopen(descriptor, "rb") as stream:
        status = os.fstat(descriptor)
        if not stat.S_ISREG(status.st_mode) or status.st_size > LARGEST_PHOTO:
            raise OSError(errno.EINVAL, "no plain file, or too large for a photograph", str(path))
        return stream.read()
