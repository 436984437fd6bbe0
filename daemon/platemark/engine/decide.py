"""People's answers: checked, applied once, recorded; a stale one is refused with what changed."""

from __future__ import annotations

import hashlib
import json
import os
import re
import secrets
import stat
from pathlib import Path
from typing import Any

import msgspec
import structlog

from platemark import durable
from platemark.engine.decision_kinds import KINDS, beside, kind_of
from platemark.engine.hold import folder_of, for_the_group, notice_of
from platemark.engine.workshop import Workshop
from platemark.intake.answers import answer_text, read_answer, with_refusal, without_refusal
from platemark.ledger.read import JobRow
from platemark.model.decision import AnyDecision, Decision, Outcome, jobs_of, outcome_of
from platemark.model.errors import DecisionRefused, DiskFault, PlatemarkError
from platemark.model.notice import Answer
from platemark.model.plain import from_plain, to_plain

LARGEST_FILE = 64 * 1024
_LARGEST_NUMBER = 2**53
"""JSON's whole numbers are exact up to here, and the record's reach further."""
_ID = re.compile(r"[0-9A-Za-z-]{1,64}")
NOBODY = "unknown"
"""Signs in the record for a name that is none of the studio's."""
_LONGEST_SHOWN = 1000


def apply(workshop: Workshop, decision: AnyDecision) -> Outcome:
    """Apply a decision once; the same id again gives the same outcome."""
    about = _about(decision)
    done = workshop.ledger.read.decided(decision.id)
    if done is not None:
        applied = done.kind != "decision-refused"
        return outcome_of(decision, applied, done.body.get("sentence", ""))
    try:
        sentence = kind_of(decision).apply(workshop, decision)
    except DecisionRefused as refusal:
        sentence = _fit_to_show(str(refusal))
        person = workshop.settings.studio.person(decision.by)
        by = person.name if person is not None else NOBODY
        with workshop.ledger.transaction() as transaction:
            body = {"decision": decision.id, **about, "sentence": sentence}
            transaction.append("decision-refused", body, actor=by)
        structlog.get_logger().warning("decision-refused", **about, by=by, why=sentence)
        return outcome_of(decision, False, sentence)
    structlog.get_logger().info("decided", **about, by=decision.by)
    return outcome_of(decision, True, sentence)


def _about(decision: AnyDecision) -> dict[str, Any]:
    kind = kind_of(decision)
    if kind.about:
        return {name: _fit_to_show(getattr(decision, name)) for name in kind.about}
    jobs = [each.job for each in jobs_of(decision)]
    return {"about": jobs[0] if hasattr(decision, "job") else jobs}


def _fit_to_show(text: str) -> str:
    """Words of anybody's as they may stand in the record and on screens: no hidden signs, no end.

    A terminal obeys some signs, and others turn the writing round.
    """
    shown = "".join(letter if letter.isprintable() else "\ufffd" for letter in text)
    return shown if len(shown) <= _LONGEST_SHOWN else f"{shown[: _LONGEST_SHOWN - 1]}…"


def write_decision(folder: Path, decision: AnyDecision, scratch: Path) -> None:
    """Publish a decision into `decisions/`, whole."""
    data = json.dumps(to_plain(decision), ensure_ascii=False, indent=1).encode()
    durable.write_new(scratch, data)
    durable.publish(scratch, folder / f"{decision.id}.json")


def apply_waiting(workshop: Workshop) -> tuple[Outcome, ...]:
    """Apply every decision in `decisions/`.

    One that meets a mistake of ours stays and is tried again; those behind it do not wait for it.

    Raises:
        Exception: the first such mistake, when all the others are applied.
    """
    outcomes, mistakes = [], []
    for path in sorted(workshop.folders.decisions.glob("*.json")):
        decision = _read(path)
        if decision is None:
            _put_aside(path)
            continue
        try:
            outcomes.append(apply(workshop, decision))
        except PlatemarkError:
            raise
        except Exception as mistake:
            mistakes.append(mistake)
            continue
        lies_beside = beside(workshop.folders.decisions, decision)
        if lies_beside is not None:
            # Before the decision: nobody would know of it afterwards.
            _take_away(lies_beside)
        durable.remove_file(path)
    if mistakes:
        raise mistakes[0]
    return tuple(outcomes)


def _take_away(lay_beside: Path) -> None:
    """Remove what lay beside a decision; a folder is not ours."""
    if lay_beside.is_dir() and not lay_beside.is_symlink():
        name = lay_beside.name
        structlog.get_logger().warning("decision-in-the-way", file=name, why="a folder")
    else:
        durable.remove_file(lay_beside)


def _put_aside(path: Path) -> None:
    """Take what is no decision out of the way of those that are; it stays to be looked at."""
    log = structlog.get_logger()
    try:
        durable.publish(path, path.with_name(f"{secrets.token_hex(8)}.unreadable"))
    except (DiskFault, durable.AlreadyThere) as fault:
        if isinstance(fault, DiskFault) and fault.is_failing:
            raise
        log.warning("decision-in-the-way", file=path.name, why=str(fault))
    else:
        log.warning("decision-unreadable", file=path.name)


def read_sheet(workshop: Workshop, row: JobRow, quiet_s: float) -> Decision | str | None:
    """Read a held job's answer sheet like a drop: only once it is still.

    Returns:
        A decision; a sentence that says what is wrong with the sheet, empty where nothing is
        ticked; None where somebody is still writing or there is no sheet.
    """
    sheet = folder_of(workshop, row) / "ANSWER.txt"
    try:
        status = sheet.lstat()
        if not stat.S_ISREG(status.st_mode):
            return "ANSWER.txt is no plain file. Remove it, and answer with `platemark decide`."
        if status.st_size > LARGEST_FILE:
            return "ANSWER.txt is larger than any answer. Remove it; a new one is made."
        # A time to come is another computer's clock.
        if 0 <= workshop.clock.now().timestamp() - status.st_mtime < quiet_s:
            return None
        descriptor = os.open(sheet, os.O_RDONLY | os.O_NOFOLLOW | os.O_NONBLOCK)
        try:
            data = os.read(descriptor, LARGEST_FILE)
        finally:
            os.close(descriptor)
    except OSError:
        return None
    data = without_refusal(data)
    answer = read_answer(answer_text(data), notice_of(workshop, row))
    if not isinstance(answer, Answer):
        return answer or ""
    return answer.decision(
        "sheet-" + hashlib.sha256(f"{row.job} {answer.seq} ".encode() + data).hexdigest()[:32]
    )


def say_on_sheet(workshop: Workshop, row: JobRow, sentence: str) -> None:
    """Write on top of a filled-in sheet why it is not applied; what the person typed stays."""
    sheet = folder_of(workshop, row) / "ANSWER.txt"
    try:
        if not stat.S_ISREG(sheet.lstat().st_mode):
            return
        before = durable.identity(sheet.lstat())
        data = sheet.read_bytes() if sheet.lstat().st_size <= LARGEST_FILE else b""
        said = with_refusal(data, sentence)
        # Whoever saves it meanwhile wins: their words are looked at anew.
        if not data or said == data or durable.identity(sheet.lstat()) != before:
            return
    except OSError:
        return
    durable.write_over(sheet, said, workshop.folders.scratch("held") / f"{row.job}.answer")
    for_the_group(workshop, sheet)


def _read(path: Path) -> AnyDecision | None:
    try:
        # Nothing is followed or waited for: a pipe would never end.
        descriptor = os.open(path, os.O_RDONLY | os.O_NOFOLLOW | os.O_NONBLOCK)
        with os.fdopen(descriptor, "rb") as file:
            if not stat.S_ISREG(os.fstat(descriptor).st_mode):
                return None
            data = file.read(LARGEST_FILE + 1)
        if len(data) > LARGEST_FILE:
            return None
        said = json.loads(data)
        decision: AnyDecision = from_plain(_shape_of(said), said)
        # Half a sign and a number beyond the record's are in no decision of ours.
        json.dumps(to_plain(decision), ensure_ascii=False).encode()
    except (OSError, ValueError, RecursionError, msgspec.ValidationError):
        return None
    # The id names files of ours.
    if not _ID.fullmatch(decision.id):
        return None
    in_range = all(
        0 < each.job <= _LARGEST_NUMBER and 0 <= each.expected_seq <= _LARGEST_NUMBER
        for each in jobs_of(decision)
    )
    return decision if in_range else None


def _shape_of(said: object) -> type[AnyDecision]:
    kind = said.get("kind") if isinstance(said, dict) else None
    known = KINDS.get(kind) if isinstance(kind, str) else None
    return known.shape if known is not None else Decision
