"""People's answers: checked, applied once, recorded; a stale one is refused with what changed."""

from __future__ import annotations

import hashlib
import json
import os
import re
import secrets
import stat
from collections.abc import Sequence
from pathlib import Path
from typing import Any

import msgspec
import structlog

from platemark import durable
from platemark.engine.beside import asked_beside, take_up, taken_up_words
from platemark.engine.doubtful import apply_to_parcel
from platemark.engine.erasing import apply_erase
from platemark.engine.hold import folder_of, for_the_group, notice_of, stops_of
from platemark.engine.lifecycle import TRANSITIONS, move
from platemark.engine.pack import being_sealed
from platemark.engine.people import signer
from platemark.engine.picture_decisions import apply_to_picture
from platemark.engine.profile_decisions import apply_to_profile, handed_in
from platemark.engine.recall import apply_recall
from platemark.engine.workshop import Workshop
from platemark.intake.answers import (
    answer_text,
    is_reason,
    read_answer,
    with_refusal,
    without_refusal,
)
from platemark.ledger.read import JobRow
from platemark.model.decision import (
    AnyDecision,
    Decision,
    EraseDecision,
    Outcome,
    ParcelDecision,
    PictureDecision,
    ProfileDecision,
    RecallDecision,
    RecalledJob,
)
from platemark.model.errors import DecisionRefused, DiskFault, PlatemarkError
from platemark.model.finding import Finding
from platemark.model.job import job_number
from platemark.model.notice import Answer
from platemark.model.plain import from_plain, to_plain
from platemark.model.request import PERSONAL_KEYS, read_value
from platemark.model.studio import Person

LARGEST_FILE = 64 * 1024
_LARGEST_NUMBER = 2**53
"""JSON's whole numbers are exact up to here, and the record's reach further."""
_ID = re.compile(r"[0-9A-Za-z-]{1,64}")
NOBODY = "unknown"
"""Signs in the record for a name that is none of the studio's."""
_LONGEST_SHOWN = 1000
_OF_SEVERAL: dict[str, type[AnyDecision]] = {"recall": RecallDecision, "erase": EraseDecision}
"""Decisions about several jobs at once, by kind."""
_OF_NO_JOB = ProfileDecision | RecallDecision | ParcelDecision | EraseDecision


def apply(workshop: Workshop, decision: AnyDecision) -> Outcome:
    """Apply a decision once; the same id again gives the same outcome."""
    about = _about(decision)
    done = workshop.ledger.read.decided(decision.id)
    if done is not None:
        applied = done.kind != "decision-refused"
        return _outcome(decision, applied, done.body.get("sentence", ""))
    try:
        if isinstance(decision, ProfileDecision):
            sentence = apply_to_profile(workshop, decision)
        elif isinstance(decision, PictureDecision):
            sentence = apply_to_picture(workshop, decision)
        elif isinstance(decision, RecallDecision):
            sentence = apply_recall(workshop, decision)
        elif isinstance(decision, ParcelDecision):
            sentence = apply_to_parcel(workshop, decision)
        elif isinstance(decision, EraseDecision):
            sentence = apply_erase(workshop, decision)
        else:
            sentence = _apply(workshop, decision)
    except DecisionRefused as refusal:
        sentence = _fit_to_show(str(refusal))
        person = workshop.settings.studio.person(decision.by)
        by = person.name if person is not None else NOBODY
        with workshop.ledger.transaction() as transaction:
            body = {"decision": decision.id, **about, "sentence": sentence}
            transaction.append("decision-refused", body, actor=by)
        structlog.get_logger().warning("decision-refused", **about, by=by, why=sentence)
        return _outcome(decision, False, sentence)
    structlog.get_logger().info("decided", **about, by=decision.by)
    return _outcome(decision, True, sentence)


def _about(decision: AnyDecision) -> dict[str, Any]:
    if isinstance(decision, ProfileDecision):
        lab, surface = _fit_to_show(decision.lab), _fit_to_show(decision.surface)
        return {"lab": lab, "surface": surface}
    if isinstance(decision, RecallDecision | EraseDecision):
        return {"about": [each.job for each in decision.jobs]}
    if isinstance(decision, ParcelDecision):
        return {"parcel": _fit_to_show(decision.parcel)}
    return {"about": decision.job}


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
        if isinstance(decision, ProfileDecision):
            # Before the decision: nobody would know of it afterwards.
            _take_away(handed_in(workshop.folders.decisions, decision))
        durable.remove_file(path)
    if mistakes:
        raise mistakes[0]
    return tuple(outcomes)


def _take_away(profile: Path) -> None:
    """Remove what lay beside a decision; a folder is not ours."""
    if profile.is_dir() and not profile.is_symlink():
        structlog.get_logger().warning("decision-in-the-way", file=profile.name, why="a folder")
    else:
        durable.remove_file(profile)


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


def _apply(workshop: Workshop, decision: Decision) -> str:
    number = job_number(decision.job)
    person = signer(workshop.settings.studio, decision.by)
    if not is_reason(decision.because):
        raise DecisionRefused(f"Job {number}: nothing says why.", "Give a reason with because.")
    row = workshop.ledger.read.job(decision.job)
    if row is None:
        raise DecisionRefused(f"There is no job {number}.")
    if row.moved_seq != decision.expected_seq:
        raise DecisionRefused(
            f"Job {number} has moved on since: it is {row.state} now.",
            f"Look at it again (`platemark job {decision.job}`) and answer that.",
        )
    if decision.withdraw:
        return _withdraw(workshop, row, decision, person)
    if row.state != "held":
        raise DecisionRefused(f"Job {number} is {row.state}; it waits for no answer.")
    return _answer(workshop, row, decision, person)


def _withdraw(workshop: Workshop, row: JobRow, decision: Decision, person: Person) -> str:
    if "withdrawn" not in TRANSITIONS[row.state] or row.state == "parcelled":
        raise DecisionRefused(
            f"Job {job_number(row.job)} is {row.state}; what is in a parcel is not withdrawn.",
            f"Call it back: `platemark recall {row.job}`.",
        )
    if row.job in being_sealed(workshop.ledger.read):
        raise DecisionRefused(
            f"Job {job_number(row.job)} is being packed this moment.",
            f"Then it is called back: `platemark recall {row.job}`.",
        )
    beside = asked_beside(workshop, (row,))
    taken_up = taken_up_words(beside)
    with workshop.ledger.transaction() as transaction:
        body = {
            "decision": decision.id,
            "because": transaction.word(decision.because),
            "sentence": f"withdrawn. {taken_up}".removesuffix(".") if taken_up else "withdrawn",
        }
        move(transaction, row, "withdrawn", "withdrawn", body, actor=person.name)
        take_up(transaction, beside)
    said = f"Job {job_number(row.job)} is withdrawn; the original stays in the archive."
    return f"{said} {taken_up}".rstrip()


def _answer(workshop: Workshop, row: JobRow, decision: Decision, person: Person) -> str:
    if not decision.accept and not decision.settings:
        raise DecisionRefused(f"Job {job_number(row.job)}: nothing is accepted, set or withdrawn.")
    stops = [f for f in stops_of(workshop, row) if f.severity == "stop"]
    for code in decision.accept:
        _may_accept(row, [f for f in stops if f.code == code], code, person)
    _readable(row, decision.settings, person)
    with workshop.ledger.transaction() as transaction:
        body: dict[str, Any] = {
            "decision": decision.id,
            "because": transaction.word(decision.because),
            "accepted": [
                {"code": f.code, "figures": to_plain(f.figures)}
                for f in stops
                if f.code in decision.accept
            ],
            "settings": {
                key: transaction.word(text) if key in PERSONAL_KEYS else text
                for key, text in decision.settings
            },
            "sentence": "answered",
        }
        move(transaction, row, "decided", "claimed", body, actor=person.name)
    return f"Job {job_number(row.job)} goes on with that answer."


def _may_accept(row: JobRow, findings: list[Finding], code: str, person: Person) -> None:
    number = job_number(row.job)
    if not findings:
        raise DecisionRefused(f"Job {number} is not held for {code}.")
    for finding in findings:
        if finding.accept == "never":
            raise DecisionRefused(f"Job {number}: {code} can be accepted by nobody.", finding.next)
        if finding.accept == "photographer" and person.role != "photographer":
            raise DecisionRefused(
                f"Job {number}: {code} is for the photographer to accept, not for {person.name}."
            )


def _readable(row: JobRow, settings: tuple[tuple[str, str], ...], person: Person) -> None:
    for key, text in settings:
        if key in ("allow", "because", "by"):
            raise DecisionRefused(
                f"Job {job_number(row.job)}: {key} is no answer.", "Use --accept, --by, --because."
            )
        if key == "viewing" and person.role != "photographer":
            # A greater distance lets fewer pixels pass.
            raise DecisionRefused(
                f"Job {job_number(row.job)}: the viewing distance is for the photographer to say, "
                f"not for {person.name}."
            )
        try:
            read_value(key, text)
        except ValueError as error:
            raise DecisionRefused(f"Job {job_number(row.job)}, {key}: {error}.") from error


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
    if isinstance(decision, ProfileDecision | ParcelDecision):
        return decision
    about: Sequence[RecalledJob | Decision | PictureDecision]
    about = decision.jobs if isinstance(decision, RecallDecision | EraseDecision) else (decision,)
    in_range = all(
        0 < each.job <= _LARGEST_NUMBER and 0 <= each.expected_seq <= _LARGEST_NUMBER
        for each in about
    )
    return decision if in_range else None


def _shape_of(said: object) -> type[AnyDecision]:
    kind = str(said.get("kind")) if isinstance(said, dict) else ""
    if kind.startswith("profile-"):
        return ProfileDecision
    if kind in _OF_SEVERAL:
        return _OF_SEVERAL[kind]
    if kind.startswith("parcel-"):
        return ParcelDecision
    return PictureDecision if kind == "picture" else Decision


def _outcome(decision: AnyDecision, applied: bool, sentence: str) -> Outcome:
    job = None if isinstance(decision, _OF_NO_JOB) else decision.job
    return Outcome(decision.id, job, applied, sentence)
