"""What an edition promises must stay what it was when its numbers were given."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Final

from platemark.model.asking import stop
from platemark.model.finding import Acceptor, Finding
from platemark.model.known import Known

CODE: Final = "edition-total-differs"
ACCEPT: Final = "photographer"
FOR_US: Final = True


def find(known: Known) -> Iterable[Finding]:
    """Stop where the file of an edition has another total than numbers were given under.

    Once somebody may have a print, more of them or another way to count is nobody's to accept.
    """
    standing, request = known.editions, known.resolved.request
    if standing is None or standing.edition is None or standing.before is None:
        return
    edition, before, part = standing.edition, standing.before, standing.part
    file = f"editions/{edition.id}.toml"
    now = edition.terms
    # A slip may be mended while nobody can have a print of it.
    never: Acceptor = "never" if before.binding else ACCEPT
    if now.counted != before.terms.counted:
        was, is_now = (
            "together" if counted == "together" else "by size"
            for counted in (before.terms.counted, now.counted)
        )
        yield stop(
            CODE,
            never,
            f"The prints of {edition.name} were counted {was} when numbers of it were given; "
            f"{file} counts them {is_now} now.",
            f"Put {file} back as it was.",
            figures={"counted": f"{before.terms.counted} {now.counted}"},
        )
        return
    if part is None:
        return
    said = before.terms.total(part, request.edition_kind)
    total = edition.of(part, request.edition_kind)
    if said is None or said == total:
        return
    what = "prints" if request.edition_kind == "print" else "artist’s proofs"
    more = total > said
    too_few = total < before.number
    accept: Acceptor = "never" if too_few else never if more else ACCEPT
    yield stop(
        CODE,
        accept,
        f"Numbers of {edition.name} were given as of {said} {what}, up to {before.number}; {file} "
        f"says {total} now.",
        f"Put {said} back into {file}. {_then(accept, more=more)}".rstrip(),
        figures={"was": str(said), "is": str(total)},
    )


def _then(accept: Acceptor, *, more: bool) -> str:
    if accept != "never":
        return "Or a photographer accepts the new total, and says why."
    if not more:
        return "Larger numbers than that are given already."
    return (
        "Buyers were told that number: further prints are another edition, and the certificates of "
        "both must name the other."
    )
