"""An edition has no more prints than were promised, whatever is asked."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Final

from platemark.model.asking import stop
from platemark.model.edition import kind_words
from platemark.model.finding import Finding
from platemark.model.known import Known

CODE: Final = "edition-exceeded"
ACCEPT: Final = "never"


def find(known: Known) -> Iterable[Finding]:
    """Stop a print for which no number is left; nobody may let it pass."""
    standing, request = known.editions, known.resolved.request
    if standing is None or standing.edition is None or standing.part is None:
        return
    is_next = request.replaces is None and standing.remake_of is None
    if request.purpose == "test" or standing.numbers or not is_next:
        return
    edition, kind = standing.edition, request.edition_kind
    what = "numbers" if kind == "print" else "artist’s proofs"
    of = edition.of(standing.part, kind)
    where = f"the edition {edition.name}{edition.part_words(standing.part)}"
    wanted = f"one more {kind_words(kind)}" if request.copies == 1 else f"{request.copies} {what}"
    left = standing.left
    if not of:
        said = f"{known.name} asks for {wanted}, and {where} has no {what}."
    elif not left:
        said = f"{known.name} asks for {wanted}, and all {of} {what} of {where} are given."
    else:
        are = "is" if left == 1 else "are"
        said = f"{known.name} asks for {wanted}, and {left} of {of} {are} left of {where}."
    typed = edition.as_typed(standing.part, kind, "NUMBER")
    fewer = f"Answer with copies={left}, or withdraw it." if left else "Withdraw it."
    yield stop(
        CODE,
        ACCEPT,
        said,
        f"{fewer} `platemark editions show {edition.id}` says who has which number. Where a print "
        f"is no more, say so with `platemark editions destroyed {typed}`, and answer with "
        "replaces=NUMBER.",
        choices=(f"copies={left}",) if left else (),
    )
