"""An answer to a held job: accepted, set, or withdrawn, and on its way again."""

from __future__ import annotations

from typing import Any

from platemark.engine.beside import asked_beside, take_up, taken_up_words
from platemark.engine.hold import stops_of
from platemark.engine.knowing import OF_A_SHEET
from platemark.engine.lifecycle import TRANSITIONS, being_sealed, move
from platemark.engine.people import signer
from platemark.engine.test_prints import further_prints
from platemark.engine.workshop import Workshop
from platemark.intake.answers import is_reason
from platemark.ledger.approvals import Approvals
from platemark.ledger.read import JobRow
from platemark.model.decision import Decision
from platemark.model.errors import DecisionRefused
from platemark.model.finding import Finding
from platemark.model.job import job_number
from platemark.model.plain import to_plain
from platemark.model.request import PERSONAL_KEYS, read_value
from platemark.model.studio import Person


def apply_answer(workshop: Workshop, decision: Decision) -> str:
    """Apply a person's answer to a job.

    Returns:
        What was done, for people.

    Raises:
        DecisionRefused: it cannot be; nothing was changed.
    """
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
    parts = further_prints(workshop.ledger.read, row)
    beside = asked_beside(workshop, (row, *parts))
    taken_up = taken_up_words(beside)
    with workshop.ledger.transaction() as transaction:
        body = {
            "decision": decision.id,
            "because": transaction.word(decision.because),
            "sentence": f"withdrawn. {taken_up}".removesuffix(".") if taken_up else "withdrawn",
        }
        move(transaction, row, "withdrawn", "withdrawn", body, actor=person.name)
        for part in parts:
            why = {"why": "the first print of its test was withdrawn"}
            move(transaction, part, "withdrawn", "withdrawn", why, actor=person.name)
        take_up(transaction, beside)
    said = f"Job {job_number(row.job)} is withdrawn; the original stays in the archive."
    if parts:
        numbers = ", ".join(job_number(part.job) for part in parts)
        said = f"{said} So are the further prints of its test: {numbers}."
    return f"{said} {taken_up}".rstrip()


def _answer(workshop: Workshop, row: JobRow, decision: Decision, person: Person) -> str:
    if not decision.accept and not decision.settings:
        raise DecisionRefused(f"Job {job_number(row.job)}: nothing is accepted, set or withdrawn.")
    stops = [f for f in stops_of(workshop, row) if f.severity == "stop"]
    for code in decision.accept:
        _may_accept(row, [f for f in stops if f.code == code], code, person)
    _refuse_of_sheet(workshop, row, decision)
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


def _refuse_of_sheet(workshop: Workshop, row: JobRow, decision: Decision) -> None:
    """Refuse to make anything else of a test's sheet: its first print alone is the picture."""
    first = Approvals(workshop.ledger.read).first_of(row.job)
    for key, _ in decision.settings:
        if first != row.job and key in OF_A_SHEET:
            raise DecisionRefused(
                f"Job {job_number(row.job)} is a sheet of test {job_number(first)}: its {key} is "
                "not for setting.",
                f"Answer job {job_number(first)}, or drop the picture anew.",
            )


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
