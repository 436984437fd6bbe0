"""A print needs a size."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Final

from platemark.model.asking import stop
from platemark.model.finding import Finding
from platemark.model.known import Known

CODE: Final = "size-missing"
ACCEPT: Final = "never"


def find(known: Known) -> Iterable[Finding]:
    """Stop when nothing gives a size, or the measures contradict each other."""
    request = known.resolved.request
    if request.size is None and request.sheet is None:
        if any(trouble.key in ("size", "sheet") for trouble in known.resolved.troubles):
            return
        facts = known.facts
        nearest = tuple(
            f"size={size}" for size in known.sold_like(facts.upright_width, facts.upright_height)
        )
        yield stop(
            CODE,
            ACCEPT,
            f"Nothing says how large {known.name} is to be printed.",
            "Give a size: in the name (heron_16x20in.tif), by a size folder, or in your answer.",
            choices=nearest,
        )
    elif known.misfit:
        yield stop(
            CODE,
            ACCEPT,
            f"The measures of {known.name} do not fit together: {known.misfit}.",
            "Correct the request, or answer with the right size.",
        )
