"""The same print again: a new job of the archived original, asked for as the first was."""

from __future__ import annotations

import structlog

from platemark.engine.claim import asked_body, layers_of, said
from platemark.engine.examine import original_path
from platemark.engine.knowing import answers_of
from platemark.engine.people import signer
from platemark.engine.reprinted import OF, REASON
from platemark.engine.seen_since import refuse_stale
from platemark.engine.workshop import Workshop
from platemark.intake.answers import is_reason
from platemark.intake.layers import Gathered
from platemark.ledger.keeping import Keeping
from platemark.ledger.read import ERASED, JobRow, Reader
from platemark.model.decision import ReprintDecision
from platemark.model.errors import DecisionRefused
from platemark.model.job import job_number
from platemark.model.reprint import IN_PLACE_OF, REASONS
from platemark.model.request import READERS, Layer, read_value

ORDERED = "reprint-ordered"
"""The entry of the first print."""
SENT = ("parcelled", "delivered")
_NOT_AGAIN = ("due", "set", "set_of", "replaces", "surface")
"""Keys that are of that time: its date, the others of its set, the number that it took."""
_FROM_TICKET = (
    "size", "copies", "purpose", "order", "title", "finish", "mount", "hardware", "ship_to", "note",
    "place",
)  # fmt: skip
"""What a job that was read back from its ticket can be asked for by."""


def apply_reprint(workshop: Workshop, decision: ReprintDecision) -> str:
    """Order the same print once more; what of it differs by now is asked when it is examined.

    Returns:
        What was done, for people.

    Raises:
        DecisionRefused: it cannot be; nothing was changed.
    """
    person = signer(workshop.settings.studio, decision.by)
    number = job_number(decision.job)
    if not is_reason(decision.because):
        raise DecisionRefused(f"Job {number}: nothing says why.", "Give a reason with --because.")
    read = workshop.ledger.read
    row = read.job(decision.job)
    if row is None:
        raise DecisionRefused(f"There is no job {number}.", "Nothing was ordered.")
    refuse_stale(workshop, row, decision.expected_seq, "Nothing was ordered.")
    _refuse_unsent(row)
    _refuse_without_original(workshop, row)
    values = _values(read, row, decision)
    layers = _layers(row, values, decision)
    with workshop.ledger.transaction() as transaction:
        job = read.newest_job() + 1
        sentence = _told(row, job, values, decision)
        because = transaction.word(decision.because)
        transaction.append(
            ORDERED,
            {
                "decision": decision.id,
                "because": because,
                "sentence": sentence,
                "reason": decision.reason,
                "as": job,
            },
            job=row.job,
            actor=person.name,
        )
        first = read.entry(row.claimed_seq)
        if first is None:
            raise LookupError(row.job)
        kind = "remake-of" if decision.reason in IN_PLACE_OF else "reprint-of"
        body = {key: first.body[key] for key in ("name", "drop", "original", *_PART)
                if key in first.body}  # fmt: skip
        body |= {
            "state": "claimed",
            "surface": row.surface,
            "sidecar_hex": None,
            "sidecar_identity": None,
            "drop_of": first.body.get("drop_of", row.job),
            OF: row.job,
            REASON: decision.reason,
            "because": because,
            "links": [{"other": row.job, "kind": kind}],
            **said(transaction, Gathered(layers, (), None, None)),
        }
        transaction.append("claimed", body, job=job, actor=person.name)
    structlog.get_logger().info("reprint-ordered", job=job, of=row.job, reason=decision.reason)
    return sentence


_PART = ("test_part",)
"""What a job is of a test: printed again, it is that part and no test of its own."""


def can_be_reprinted(row: JobRow) -> bool:
    """Whether a job was sent to its lab, or is in a parcel for it."""
    return row.state in SENT


def _refuse_unsent(row: JobRow) -> None:
    if can_be_reprinted(row):
        return
    then = {
        "held": f"Answer it: `platemark job {row.job}`.",
        "withdrawn": "Drop its picture anew, or order another job of it again.",
    }.get(row.state, "It is on its way already; wait for it.")
    raise DecisionRefused(
        f"Job {job_number(row.job)} is {row.state}: there is no print of it to make again.",
        f"Nothing was ordered. {then}",
    )


def _refuse_without_original(workshop: Workshop, row: JobRow) -> None:
    if original_path(workshop, row).is_file():
        return
    gone = Keeping(workshop.ledger.read).removed_by(row.original_sha256)
    if gone is not None:
        raise DecisionRefused(
            f"The original of job {job_number(row.job)} left the archive by rule on "
            f"{gone.at[:10]}.",
            "Nothing was ordered. Drop the picture anew.",
        )
    raise DecisionRefused(
        f"The original of job {job_number(row.job)} is not where the archive should have it.",
        "Nothing was ordered. Put the archive's file back from a backup (`platemark archive "
        "verify`), or drop the picture anew.",
    )


def _values(read: Reader, row: JobRow, decision: ReprintDecision) -> dict[str, str]:
    """Everything that was asked of the first, answers and all, in words as they were written.

    Raises:
        DecisionRefused: what is asked of the new one cannot be read.
    """
    asked = asked_body(read, row)
    layers = layers_of(asked)
    found: dict[str, str] = {}
    for layer in (each for each in layers if each.kind == "default"):
        found.update(layer.values)
    statements: dict[str, str] = {}
    for layer in (each for each in layers if each.kind == "statement"):
        for key, text in layer.values:
            statements.setdefault(key, text)
    found |= statements
    if not layers and "request" in asked:
        found |= _of_ticket(asked["request"])
    found |= answers_of(read, row.job).settings
    if row.lab:
        # The usual lab may be another by now.
        found["lab"] = row.lab
    ours = {"copies": decision.copies, "order": decision.order, "replaces": decision.replaces}
    kept = {
        key: text
        for key, text in found.items()
        if key in READERS and key not in _NOT_AGAIN and text != ERASED and ours.get(key) is None
    }
    for key, value in ours.items():
        if value is None:
            continue
        try:
            read_value(key, str(value))
        except ValueError as error:
            raise DecisionRefused(f"Job {job_number(row.job)}, {key}: {error}.") from error
    return kept


def _of_ticket(request: dict[str, object]) -> dict[str, str]:
    found = {key: str(request[key]) for key in _FROM_TICKET if request.get(key) is not None}
    border = request.get("border")
    if border not in (None, "none"):
        found["border"] = str(border)
    return found


def _layers(row: JobRow, values: dict[str, str], decision: ReprintDecision) -> tuple[Layer, ...]:
    ordered = tuple(
        (key, str(value))
        for key, value in (
            ("copies", decision.copies), ("order", decision.order), ("replaces", decision.replaces),
        )
        if value is not None
    )  # fmt: skip
    layers = [Layer(f"job {job_number(row.job)}, printed before", tuple(sorted(values.items())))]
    if ordered:
        layers.append(Layer(f"the reprint that {decision.by} ordered", ordered))
    return tuple(layers)


def _told(row: JobRow, job: int, values: dict[str, str], decision: ReprintDecision) -> str:
    copies = decision.copies or int(values.get("copies", "1"))
    prints = "one print" if copies == 1 else f"{copies} prints"
    as_then = "" if decision.copies is not None or copies == 1 else ", as many as then"
    # This sentence stands in the chain, and names of orders and sets beside it.
    order = ", for the order that you name" if decision.order is not None else ""
    sentence = (
        f"Job {job_number(job)} is ordered: {prints}{as_then} of job "
        f"{job_number(row.job)} again{order} ({REASONS[decision.reason]})."
    )
    if row.set is not None:
        sentence += f" Job {job_number(row.job)} is one of a set; this one is printed alone."
    return sentence
