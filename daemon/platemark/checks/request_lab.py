"""A lab that prints this surface."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Final

from platemark.model.asking import stop
from platemark.model.finding import Finding
from platemark.model.known import Known

CODE: Final = "request-lab"
ACCEPT: Final = "never"


def find(known: Known) -> Iterable[Finding]:
    """Stop when no lab, or no certain lab, prints this surface."""
    if known.product is not None:
        return
    asked = known.resolved.request.lab
    choices = tuple(f"lab={lab}" for lab in known.labs_offering)
    if asked is not None:
        message = f"The lab {asked} does not print on {known.surface.name}."
    elif known.labs_offering:
        message = f"More than one lab prints on {known.surface.name}; nothing says which."
    else:
        message = f"No lab of the studio prints on {known.surface.name}."
    yield stop(
        CODE,
        ACCEPT,
        message,
        "Choose a lab, or add a product for this surface to its file in labs/.",
        choices=choices,
    )
