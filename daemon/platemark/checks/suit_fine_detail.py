"""Detail that is finer than the texture of the surface."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Final

from platemark.model.asking import caution
from platemark.model.finding import Finding
from platemark.model.known import Known
from platemark.model.suiting import over, percent

CODE: Final = "suit-fine-detail"
ACCEPT: Final = "assistant"


def find(known: Known) -> Iterable[Finding]:
    """Warn of it."""
    measures, surface = known.measures, known.surface
    if measures is None:
        return
    if not over(measures.fine_detail_percent, surface.suits.fine_detail_percent):
        return
    fine = percent(measures.fine_detail_percent)
    yield caution(
        CODE,
        f"{fine} of the detail of {known.name} is finer than a quarter of a millimetre: the "
        f"texture of {surface.name} will hide it, and regular lines may beat with it.",
        "Print it larger, or choose a smooth surface.",
        figures={"fine": fine},
    )
