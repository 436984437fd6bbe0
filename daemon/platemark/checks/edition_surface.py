"""Another surface inside an edition is the photographer's decision."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Final

from platemark.model.asking import stop
from platemark.model.finding import Finding
from platemark.model.known import Known

CODE: Final = "edition-surface"
ACCEPT: Final = "photographer"
FOR_US: Final = True


def find(known: Known) -> Iterable[Finding]:
    """Stop a surface that the edition has not, or has only since numbers of it were given."""
    standing, surface = known.editions, known.surface
    if standing is None or standing.edition is None:
        return
    if known.resolved.request.purpose == "test":
        return
    edition, before = standing.edition, standing.before
    figures = {"surface": surface.id}
    if surface.id not in edition.surfaces:
        yield stop(
            CODE,
            ACCEPT,
            f"{known.name} is for {surface.name}, and the edition {edition.name} is printed on "
            f"{', '.join(edition.surfaces)}.",
            f"Withdraw it and drop it in hot/{edition.surfaces[0]}/; or a photographer accepts "
            "this surface, and says why.",
            figures=figures,
        )
    elif before is not None and surface.id not in before.terms.surfaces:
        yield stop(
            CODE,
            ACCEPT,
            f"{surface.name} was put into editions/{edition.id}.toml after numbers of "
            f"{edition.name} were given.",
            "A photographer accepts that the edition is on this surface too, and says why.",
            figures=figures,
        )
