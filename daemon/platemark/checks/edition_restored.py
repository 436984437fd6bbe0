"""After the record was restored from a copy, nobody knows which numbers were given since."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Final

from platemark.model.asking import stop
from platemark.model.edition import TOGETHER, numbers_words
from platemark.model.finding import Finding
from platemark.model.known import Known

CODE: Final = "edition-restored"
ACCEPT: Final = "photographer"
FOR_US: Final = True


def find(known: Known) -> Iterable[Finding]:
    """Stop the first number that is given again after an older state of the record came back."""
    standing = known.editions
    if standing is None or standing.restored is None or standing.edition is None:
        return
    if not standing.numbers:
        return
    seq, made = standing.restored
    edition, numbers = standing.edition, numbers_words(standing.numbers)
    kind = known.resolved.request.edition_kind
    typed = edition.as_typed(standing.part or TOGETHER, kind, "NUMBER")
    yield stop(
        CODE,
        ACCEPT,
        f"This studio goes on from a record of {made.day} {made:%B %Y}: whether number {numbers} "
        f"of {edition.name} was given since, it does not know.",
        "Look at the lab's tickets and your certificates. Say of each number that was given what "
        f"became of it, with `platemark editions sold {typed}`; then accept.",
        figures={"entry": str(seq), "numbers": numbers},
    )
