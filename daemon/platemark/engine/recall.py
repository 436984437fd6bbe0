"""Jobs called back: withdrawn, taken back before they leave, or told to the lab that has them.

Which of the three is decided by what the record says of a job's parcel. One that is closed and
waits for a courier cannot have been seen by the lab: nothing is revealed before the record has that
it was verified there. From then on, and wherever somebody fetches parcels, the lab may have it.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from datetime import datetime
from typing import Any

import structlog

from platemark.delivery import COLLECT
from platemark.engine.beside import asked_beside, take_up, taken_up_words
from platemark.engine.lifecycle import being_sealed, move
from platemark.engine.pack import parcel_folder
from platemark.engine.people import signer
from platemark.engine.recall_work import finish_recalls
from platemark.engine.sets import same_set
from platemark.engine.workshop import Workshop
from platemark.intake.answers import is_reason
from platemark.ledger.read import JobRow, ParcelRow, Reader
from platemark.ledger.store import Transaction
from platemark.model.decision import RecallDecision
from platemark.model.errors import DecisionRefused, PlatemarkError
from platemark.model.job import job_number
from platemark.model.studio import Person

_UNSENT = ("claimed", "examined", "rendered", "held")


@dataclass(slots=True)
class _Plan:
    """What becomes of each job that is called back."""

    unsent: list[JobRow] = field(default_factory=list)
    """In no parcel yet: withdrawn."""
    taken_back: list[JobRow] = field(default_factory=list)
    """In a parcel that has not left: withdrawn with it."""
    told: list[tuple[JobRow, ParcelRow]] = field(default_factory=list)
    """The lab has them, or may have."""
    known: list[JobRow] = field(default_factory=list)
    """Called back before."""
    beside: tuple[JobRow, ...] = ()
    """Held jobs that were asked about one of them."""
    parcels: dict[str, ParcelRow] = field(default_factory=dict)
    """Those that are taken back now."""


def apply_recall(workshop: Workshop, decision: RecallDecision) -> str:
    """Call jobs back, all in one transaction, and begin what comes of it.

    Returns:
        What was done, for people.

    Raises:
        DecisionRefused: it cannot be; nothing was changed.
    """
    person = signer(workshop.settings.studio, decision.by)
    if not is_reason(decision.because):
        raise DecisionRefused("Nothing says why.", "Give a reason with --because.")
    rows = _rows(workshop.ledger.read, decision)
    plan = _plan(workshop, rows)
    if len(plan.known) == len(rows):
        raise DecisionRefused(_known_before(workshop, plan.known))
    _refuse_torn(workshop.ledger.read, rows)
    sentence = _told(workshop, plan)
    with workshop.ledger.transaction() as transaction:
        _record(workshop, transaction, plan, decision, person, sentence)
    structlog.get_logger().info(
        "recalled",
        jobs=[row.job for row in rows],
        withdrawn=len(plan.unsent),
        taken_back=len(plan.taken_back),
        told=len(plan.told),
        by=person.name,
    )
    try:
        finish_recalls(workshop)
    except PlatemarkError as error:
        # It is on record, and each turn and each start goes on with it.
        structlog.get_logger().warning("recall-waits", why=error.sentence)
    return sentence


def can_be_recalled(read: Reader, row: JobRow) -> bool:
    """Whether a job is in a parcel or with its lab, and was not called back."""
    return row.state in ("parcelled", "delivered") and read.recall(row.job) is None


def rest_of_set(read: Reader, rows: list[JobRow]) -> list[JobRow]:
    """What else belongs to the sets of some jobs, and was not called back."""
    here = {row.job for row in rows}
    return [
        other
        for row in rows
        for other in same_set(read, row)
        if other.job not in here and read.recall(other.job) is None
    ]


def _rows(read: Reader, decision: RecallDecision) -> list[JobRow]:
    """The jobs as they stand.

    Raises:
        DecisionRefused: one is not there, was withdrawn, or has moved on.
    """
    if not decision.jobs:
        raise DecisionRefused("No job is named.", "Name one, or several.")
    sealed = being_sealed(read)
    rows = {}
    for asked in decision.jobs:
        row = read.job(asked.job)
        number = job_number(asked.job)
        if row is None:
            raise DecisionRefused(f"There is no job {number}.", "Nothing was called back.")
        if row.moved_seq != asked.expected_seq:
            raise DecisionRefused(
                f"Job {number} has moved on since: it is {row.state} now.",
                f"Nothing was called back. Look at it (`platemark job {asked.job}`) and give the "
                "command again.",
            )
        if row.state == "withdrawn" and read.recall(row.job) is None:
            raise DecisionRefused(
                f"Job {number} is withdrawn: nothing of it is on its way.",
                "Nothing was called back.",
            )
        if row.job in sealed:
            raise DecisionRefused(
                f"Job {number} is being packed this moment.",
                "Nothing was called back. Give the command again in a minute.",
            )
        rows[row.job] = row
    return [rows[job] for job in sorted(rows)]


def _plan(workshop: Workshop, rows: list[JobRow]) -> _Plan:
    read, plan = workshop.ledger.read, _Plan()
    for row in rows:
        parcel = read.parcel(row.parcel) if row.parcel is not None else None
        if read.recall(row.job) is not None:
            plan.known.append(row)
        elif row.state in _UNSENT or parcel is None:
            plan.unsent.append(row)
        elif row.state == "parcelled" and parcel.state == "taken-back":
            plan.taken_back.append(row)
        elif row.state == "parcelled" and _has_not_left(workshop, parcel):
            plan.taken_back.append(row)
            plan.parcels[parcel.name] = parcel
        else:
            plan.told.append((row, parcel))
    plan.beside = asked_beside(
        workshop, (*plan.unsent, *plan.taken_back), (row for row, _ in plan.told)
    )
    return plan


def _has_not_left(workshop: Workshop, parcel: ParcelRow) -> bool:
    """Whether the lab cannot have seen a parcel: it waits for its courier and lies where it was."""
    lab = workshop.settings.lab(parcel.lab)
    if parcel.state != "closed" or lab is None or lab.delivery.method == COLLECT:
        return False
    entry = workshop.ledger.read.entry(parcel.seq)
    # What was closed for collection may have been fetched before the settings were changed.
    was_for = entry.body.get("method", lab.delivery.method) if entry is not None else COLLECT
    return was_for != COLLECT and parcel_folder(workshop, parcel).is_dir()


def _refuse_torn(read: Reader, rows: list[JobRow]) -> None:
    """Refuse to call back a part of a set.

    Raises:
        DecisionRefused: says which others belong to it, and the command.
    """
    rest = {other.job: other for other in rest_of_set(read, rows)}
    if not rest:
        return
    first = next(row for row in rows if any(o.set == row.set for o in rest.values()))
    numbers = " ".join(str(job) for job in sorted({*rest, *(row.job for row in rows)}))
    raise DecisionRefused(
        f"Job {job_number(first.job)} belongs to the set “{first.set}”, which goes together: "
        f"{_jobs(sorted(rest))} too.",
        f"Nothing was called back. Call all of it back: `platemark recall {numbers}`, or "
        f"`platemark recall {first.job} --whole-set`.",
    )


def _record(
    workshop: Workshop,
    transaction: Transaction,
    plan: _Plan,
    decision: RecallDecision,
    person: Person,
    sentence: str,
) -> None:
    read, actor = workshop.ledger.read, person.name
    decided: dict[str, Any] = {
        "decision": decision.id,
        "because": transaction.word(decision.because),
    }
    first = {"sentence": sentence}
    for row in plan.unsent:
        move(transaction, row, "withdrawn", "withdrawn", {**decided, **first}, actor=actor)
        first = {}
    for parcel in plan.parcels.values():
        jobs = [row.job for row in read.jobs(parcel=parcel.name) if row.state == "parcelled"]
        about = {"parcel": parcel.name, "lab": parcel.lab, "jobs": jobs}
        transaction.append("parcel-taken-back", about, actor=actor)
    for row in plan.taken_back:
        body: dict[str, Any] = {
            **decided,
            **first,
            "how": "taken-back",
            "parcel": row.parcel,
            "lab": row.lab,
            "summary": {"parcel": None},
        }
        move(transaction, row, "recalled", "withdrawn", body, actor=actor)
        first = {}
    for row, parcel in plan.told:
        body = {**decided, **first, "how": "notice", "parcel": parcel.name, "lab": parcel.lab}
        transaction.append("recalled", body, job=row.job, actor=actor)
        first = {}
    take_up(transaction, plan.beside)


def _told(workshop: Workshop, plan: _Plan) -> str:
    """What is done and what comes of it."""
    read = workshop.ledger.read
    said = []
    if plan.unsent:
        said.append(f"{_jobs_are(plan.unsent)} withdrawn: nothing of it was sent.")
    if plan.taken_back:
        said.append(f"{_jobs_are(plan.taken_back)} taken back before leaving the studio.")
    gone = {row.job for row in plan.taken_back}
    for parcel in plan.parcels.values():
        rest = [row.job for row in read.jobs(parcel=parcel.name) if row.job not in gone]
        goes = "goes" if len(rest) == 1 else "go"
        again = f"; {_jobs(rest)} of it {goes} into a new parcel" if rest else ""
        said.append(f"Parcel {parcel.name} is never sent{again}.")
    labs = dict.fromkeys(parcel.lab for _, parcel in plan.told)
    said += [_told_of_lab(workshop, plan, lab_id) for lab_id in labs]
    if plan.known:
        said.append(_known_before(workshop, plan.known))
    said.append(taken_up_words(plan.beside))
    return " ".join(filter(None, said))


def _told_of_lab(workshop: Workshop, plan: _Plan, lab_id: str) -> str:
    rows = [row for row, parcel in plan.told if parcel.lab == lab_id]
    parcels = {parcel.name: parcel for _, parcel in plan.told if parcel.lab == lab_id}
    names = ", ".join(parcels)
    lab = workshop.settings.lab(lab_id)
    called = lab.name if lab is not None else lab_id
    if lab is not None and lab.delivery.method != COLLECT:
        is_there = all(parcel.state == "delivered" for parcel in parcels.values())
        return (
            f"{_jobs_are(rows)} called back: {called} has {names}{'' if is_there else ' or may'}. "
            "A notice not to print goes there next."
        )
    there = [p.name for p in parcels.values() if parcel_folder(workshop, p).is_dir()]
    stays = (
        f" {', '.join(there)} stays in outgoing/ as it is, for somebody may be fetching it."
        if there
        else ""
    )
    return (
        f"{_jobs_are(rows)} called back: {names} is for collection, and {called} may have it. A "
        f"notice not to print is put beside it in outgoing/{lab_id}/.{stays} Call them as well: "
        "nobody knows when they look."
    )


def _known_before(workshop: Workshop, rows: list[JobRow]) -> str:
    """Who called some jobs back, and when; it is said and not repeated."""
    read, said = workshop.ledger.read, []
    for row in rows:
        recall = read.recall(row.job)
        entry = read.entry(recall.seq) if recall is not None else None
        if entry is None:
            raise LookupError(row.job)
        at = workshop.local(datetime.fromisoformat(entry.at))
        said.append(
            f"Job {job_number(row.job)} was called back already, by {entry.actor} on {at.day} "
            f"{at:%B %Y at %H:%M}."
        )
    return " ".join(said)


def _jobs(numbers: list[int]) -> str:
    shown = [job_number(number) for number in numbers]
    return f"job {shown[0]}" if len(shown) == 1 else f"jobs {', '.join(shown)}"


def _jobs_are(rows: list[JobRow]) -> str:
    said = _jobs([row.job for row in rows])
    return f"{said[0].upper()}{said[1:]} {'is' if len(rows) == 1 else 'are'}"
