"""The one transition table: which state a job may go to from where."""

from __future__ import annotations

from typing import Any

from platemark.ledger.chain import Entry
from platemark.ledger.read import JobRow, Reader
from platemark.ledger.store import Transaction
from platemark.model.job import State

TRANSITIONS: dict[State, tuple[State, ...]] = {
    "claimed": ("examined", "held", "withdrawn"),
    "examined": ("rendered", "held", "withdrawn"),
    "rendered": ("parcelled", "examined", "held", "withdrawn"),
    "parcelled": ("delivered", "withdrawn"),
    "held": ("claimed", "withdrawn"),
    "delivered": (),
    "withdrawn": (),
}


class NotAllowed(ValueError):
    """A move that the table does not have, or of a job that has moved on; a bug of the caller."""


def move(
    transaction: Transaction,
    row: JobRow,
    kind: str,
    state: State,
    body: dict[str, Any],
    *,
    actor: str = "service",
) -> Entry:
    """Record that a job went to another state.

    Raises:
        NotAllowed: the table has no such move, or the job is not where `row` has it.
    """
    if transaction.moved_seq(row.job) != row.moved_seq:
        raise NotAllowed(f"job {row.job} has moved on since it was {row.state}")
    if state not in TRANSITIONS[row.state]:
        raise NotAllowed(f"job {row.job} cannot go from {row.state} to {state}")
    return transaction.append(kind, {"state": state, **body}, job=row.job, actor=actor)


def look_again(transaction: Transaction, read: Reader, row: JobRow, because: str) -> None:
    """Have a job that is examined, rendered or held looked at again from the start.

    Args:
        transaction: In which that becomes true.
        read: The same record.
        row: The job.
        because: Why, as a part of a sentence.

    Raises:
        NotAllowed: it has moved on, or its state allows it not.
    """
    why = {"why": because}
    if row.state != "held":
        move(transaction, row, "set-back", "held", why)
        row = read.job(row.job) or row
    move(transaction, row, "looked-again", "claimed", why)


def being_sealed(read: Reader) -> set[int]:
    """Jobs of parcels that are sealed and not closed yet: what stopped that is finished first."""
    sealed: set[int] = set()
    for parcel in read.parcels(state="sealed"):
        entry = read.entry(parcel.seq)
        sealed |= set(entry.body["jobs"]) if entry is not None else set()
    return sealed
