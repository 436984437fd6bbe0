"""A request names an edition that the studio has not."""

from __future__ import annotations

from collections.abc import Iterable
from difflib import get_close_matches
from typing import Final

from platemark.model.asking import stop
from platemark.model.finding import Finding
from platemark.model.known import Known

CODE: Final = "edition-unknown"
ACCEPT: Final = "never"


def find(known: Known) -> Iterable[Finding]:
    """Stop an id that is no edition's, and a key of editions where no edition is named."""
    request, standing = known.resolved.request, known.editions
    ids = standing.ids if standing is not None else ()
    if request.edition is None:
        if request.replaces is not None or request.edition_kind == "proof":
            key = "replaces" if request.replaces is not None else "edition_kind"
            yield stop(
                CODE,
                ACCEPT,
                f"The request of {known.name} has {key}, and names no edition.",
                "Say which edition it belongs to; or withdraw it, and drop it without that key.",
                choices=tuple(f"edition={each}" for each in ids[:3]),
            )
        return
    if standing is not None and standing.edition is not None:
        return
    near = get_close_matches(request.edition, ids, 3)
    meant = f"; {near[0]} may be meant" if near else ""
    listed = f"The studio has: {', '.join(ids)}." if ids else "The studio has no edition yet."
    yield stop(
        CODE,
        ACCEPT,
        f"{known.name} asks for the edition {request.edition}, and there is none of that id"
        f"{meant}.",
        f"{listed} Answer with the right id, or make editions/{request.edition}.toml first.",
        choices=tuple(f"edition={each}" for each in near),
    )
