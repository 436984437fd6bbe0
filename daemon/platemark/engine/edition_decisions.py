"""What people say became of an edition's numbers: sold, void, destroyed.

A number is given by its print alone; here it is only said what became of it. Sold is for anybody of
the studio to say, the rest is the photographer's, as it changes what may still be printed.
"""

from __future__ import annotations

import structlog

from platemark.engine.editions import promised_otherwise, rows_of
from platemark.engine.people import photographer, signer
from platemark.engine.workshop import Workshop
from platemark.intake.answers import is_reason
from platemark.ledger.editions import Editions
from platemark.model.decision import EditionDecision
from platemark.model.edition import Edition, Numbered, kind_words
from platemark.model.errors import DecisionRefused
from platemark.model.job import job_number
from platemark.model.plain import to_plain
from platemark.model.studio import Person

_BECOMES = {
    "edition-sold": "sold",
    "edition-unsold": "printed",
    "edition-void": "void",
    "edition-destroyed": "destroyed",
}
_FROM = {
    "edition-sold": ("printed", "free"),
    "edition-unsold": ("sold",),
    "edition-void": ("printed", "sold", "destroyed", "free"),
    "edition-destroyed": ("printed", "sold"),
}
"""What a number must be, for which word."""
_SAID = {
    "edition-sold": "is sold",
    "edition-unsold": "is in the studio again, and not sold",
    "edition-void": "is void: it is never printed again, and counts as given",
    "edition-destroyed": "is destroyed: it may be printed once more, with replaces",
}


def apply_to_edition(workshop: Workshop, decision: EditionDecision) -> str:
    """Do what a person said of a number, and record it.

    Returns:
        What was done, for people.

    Raises:
        DecisionRefused: it cannot be; nothing was changed.
    """
    edition = workshop.settings.edition(decision.edition)
    if edition is None:
        raise DecisionRefused(
            f"There is no edition {decision.edition}.", "See `platemark editions`."
        )
    of = edition.of(decision.part, decision.of_kind)
    what = named(edition, decision.part, decision.of_kind, decision.number)
    if not 1 <= decision.number <= of:
        raise DecisionRefused(f"There is no {what}: it has {of}.", "Nothing was changed.")
    row = _row_of(workshop, edition, decision)
    state = row.state if row is not None else "free"
    person = _signer(workshop, decision, state)
    if not is_reason(decision.because):
        raise DecisionRefused(f"{what}: nothing says why.", "Give a reason with --because.")
    if (row.seq if row is not None else 0) != decision.expected_seq:
        raise DecisionRefused(
            f"{_first(what)} is {_stands(row)} by now.", "Look again with `platemark editions`."
        )
    if state not in _FROM[decision.kind]:
        raise DecisionRefused(f"{_first(what)} is {_stands(row)}.", _instead(decision, row))
    if row is None and (differs := promised_otherwise(Editions(workshop.ledger.read), edition)):
        raise DecisionRefused(
            f"Whether there is a {what}, nobody can say: {differs}.",
            f"Put editions/{edition.id}.toml back as it was first. Nothing was changed.",
        )
    sentence = f"{_first(what)} {_SAID[decision.kind]}."
    with workshop.ledger.transaction() as transaction:
        body = {
            "edition": edition.id,
            "part": decision.part,
            "of_kind": decision.of_kind,
            "number": decision.number,
            "was": state,
            "terms": to_plain(edition.terms),
            "print_of": row.job if row is not None else None,
            "decision": decision.id,
            "because": transaction.word(decision.because),
            "sentence": sentence,
        }
        transaction.append(decision.kind, body, actor=person.name)
    structlog.get_logger().info(
        decision.kind, edition=edition.id, number=decision.number, by=person.name
    )
    return sentence


def named(edition: Edition, part: str, kind: str, number: int) -> str:
    """A number for people: `number 7 of 25 of Heron at Dawn`."""
    of = edition.of(part, "proof" if kind == "proof" else "print")
    word = kind_words("proof" if kind == "proof" else "print")
    return f"{word} {number} of {of} of {edition.name}{edition.part_words(part)}"


def _row_of(workshop: Workshop, edition: Edition, decision: EditionDecision) -> Numbered | None:
    wanted = (decision.part, decision.of_kind, decision.number)
    rows = rows_of(Editions(workshop.ledger.read), edition)
    return next((row for row in rows if (row.part, row.kind, row.number) == wanted), None)


def _signer(workshop: Workshop, decision: EditionDecision, state: str) -> Person:
    studio = workshop.settings.studio
    if decision.kind == "edition-sold" and state != "free":
        return signer(studio, decision.by)
    if decision.kind == "edition-sold":
        what = "To call a number sold that was not printed here is for the photographer"
    else:
        what = (
            f"To say that a number {_SAID[decision.kind].partition(':')[0]} is for the photographer"
        )
    return photographer(studio, decision.by, what)


def _stands(row: Numbered | None) -> str:
    if row is None:
        return "free: no print has it"
    job = f" (job {job_number(row.job)})" if row.job is not None else ""
    return f"{'on its way' if row.state == 'reserved' else row.state}{job}"


def _instead(decision: EditionDecision, row: Numbered | None) -> str:
    if row is None:
        return "A number that was never printed can be sold elsewhere, or void; nothing else."
    if row.state == "reserved" and row.job is not None:
        return (
            f"Nobody has it yet. Withdraw job {job_number(row.job)} and the number is free again; "
            "or wait until its parcel is closed."
        )
    if row.state == "void":
        return "A void number stays void."
    return "Nothing was changed."


def _first(text: str) -> str:
    return text[:1].upper() + text[1:]
