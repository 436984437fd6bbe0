"""Another size inside an edition is the photographer's decision."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Final

from platemark.model.asking import stop
from platemark.model.edition import size_key
from platemark.model.finding import Finding
from platemark.model.known import Known

CODE: Final = "edition-size"
ACCEPT: Final = "photographer"
FOR_US: Final = True


def find(known: Known) -> Iterable[Finding]:
    """Stop a size that the edition has not, or has only since numbers of it were given."""
    standing, layout = known.editions, known.layout
    if standing is None or standing.edition is None or layout is None:
        return
    if known.resolved.request.purpose == "test":
        return
    edition = standing.edition
    found = edition.size_like(layout.size)
    listed = ", ".join(str(each.size) for each in edition.sizes)
    figures = {"size": size_key(layout.size)}
    if found is None:
        by_size = edition.counted == "each-size"
        yield stop(
            CODE,
            "never" if by_size else ACCEPT,
            f"{known.name} is {layout.size}, and the edition {edition.name} is of {listed}.",
            f"Answer with a size of the edition; {_or_else(edition.id, by_size=by_size)}",
            figures=figures,
            choices=tuple(f"size={each.size}" for each in edition.sizes[:3]),
        )
        return
    before = standing.before
    if before is not None and size_key(found.size) not in before.terms.sizes:
        yield stop(
            CODE,
            ACCEPT,
            f"{layout.size} was put into editions/{edition.id}.toml after numbers of "
            f"{edition.name} were given.",
            "A photographer accepts that the edition has this size too, and says why; or answer "
            "with a size that it had.",
            figures=figures,
        )


def _or_else(edition: str, *, by_size: bool) -> str:
    if by_size:
        return f"each has numbers of its own, and this one has none in editions/{edition}.toml."
    return "or a photographer accepts this one, and says why."
