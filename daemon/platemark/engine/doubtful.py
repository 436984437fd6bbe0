"""Parcels of which nobody knows whether the lab has them: sent only by a person's word."""

from __future__ import annotations

from platemark.engine.lifecycle import move
from platemark.engine.people import signer
from platemark.engine.workshop import Workshop
from platemark.intake.answers import is_reason
from platemark.model.decision import ParcelDecision
from platemark.model.errors import DecisionRefused

DOUBTFUL = "doubtful"


def apply_to_parcel(workshop: Workshop, decision: ParcelDecision) -> str:
    """Do what a person said of a doubtful parcel after asking the lab, and record it.

    Returns:
        What was done, for people.

    Raises:
        DecisionRefused: it cannot be; nothing was changed.
    """
    person = signer(workshop.settings.studio, decision.by)
    if not is_reason(decision.because):
        raise DecisionRefused(
            f"{decision.parcel}: nothing says why.", "Give a reason with --because."
        )
    parcel = workshop.ledger.read.parcel(decision.parcel)
    if parcel is None:
        raise DecisionRefused(f"There is no parcel {decision.parcel}.", "See `platemark jobs`.")
    if parcel.state != DOUBTFUL or parcel.seq != decision.expected_seq:
        raise DecisionRefused(
            f"{parcel.name} needs no word: it is {parcel.state}.", "Nothing was changed."
        )
    sent = decision.kind == "parcel-sent"
    sentence = (
        f"{parcel.name} counts as delivered; it is not sent again."
        if sent
        else f"{parcel.name} is sent like any other now."
    )
    with workshop.ledger.transaction() as transaction:
        body = {
            "parcel": parcel.name,
            "lab": parcel.lab,
            "decision": decision.id,
            "because": transaction.word(decision.because),
            "sentence": sentence,
        }
        if not sent:
            transaction.append("parcel-let-out", body, actor=person.name)
            return sentence
        more = {"delivery": "", "how": "said"}
        transaction.append("parcel-delivered", body | more, actor=person.name)
        for row in workshop.ledger.read.jobs(parcel=parcel.name):
            if row.state == "parcelled":
                about = {"parcel": parcel.name}
                move(transaction, row, "delivered", "delivered", about, actor=person.name)
    return sentence
