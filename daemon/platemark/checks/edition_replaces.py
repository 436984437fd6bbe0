"""A number is printed again only where its print is no more."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Final

from platemark.model.asking import stop
from platemark.model.edition import Edition, Numbered
from platemark.model.finding import Finding
from platemark.model.job import job_number
from platemark.model.known import Known

CODE: Final = "edition-replaces"
ACCEPT: Final = "never"
_STANDS = {
    "reserved": "on its way",
    "printed": "printed",
    "sold": "sold",
    "void": "void, and never printed again",
}


def find(known: Known) -> Iterable[Finding]:
    """Stop a print in place of another that is not destroyed, or of several at once."""
    standing, request = known.editions, known.resolved.request
    if standing is None or standing.edition is None or standing.part is None or standing.numbers:
        return
    if request.purpose == "test":
        return
    edition, remake = standing.edition, standing.remake_of
    if request.replaces is not None:
        number = f"{'proof ' if request.edition_kind == 'proof' else ''}{request.replaces}"
        if request.copies != 1:
            said = f"{known.name} asks for {request.copies} copies in place of number {number}."
            yield stop(CODE, ACCEPT, said, "One print has one number.", choices=("copies=1",))
            return
        yield stop(
            CODE,
            ACCEPT,
            f"{known.name} is to take the place of number {number} of {edition.name}, which is "
            f"{_stands(standing.replaced)}.",
            _then(edition, standing.replaced),
        )
    elif remake is not None:
        yield stop(
            CODE,
            ACCEPT,
            f"{known.name} is made again for job {job_number(remake)}, and {request.copies} of "
            f"that job's numbers of {edition.name} must be destroyed first.",
            "When the spoilt print is destroyed, say so with `platemark editions destroyed "
            f"{edition.as_typed(standing.part, request.edition_kind, 'NUMBER')}`, then answer this "
            f"job with copies={request.copies}.",
            choices=(f"copies={request.copies}",),
        )


def _stands(row: Numbered | None) -> str:
    return _STANDS[row.state] if row is not None else "not given yet"


def _then(edition: Edition, row: Numbered | None) -> str:
    if row is None:
        return "Withdraw it, and drop it without replaces: it gets the next number."
    if row.state == "void":
        return "Withdraw it."
    return (
        "When that print is destroyed, say so with `platemark editions destroyed "
        f"{edition.as_typed(row.part, row.kind, row.number)}`, and answer this job with "
        f"replaces={row.number}."
    )
