"""A dark picture on bare metal, which has no white to lighten it."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Final

from platemark.model.asking import caution
from platemark.model.finding import Finding
from platemark.model.known import Known
from platemark.model.suiting import rounded, under

CODE: Final = "suit-dark-on-metal"
ACCEPT: Final = "assistant"


def is_dark_on_metal(known: Known) -> bool:
    """Whether its middle tone is below what a surface without white bears."""
    measures, limit = known.measures, known.surface.suits.dark_median_l
    if measures is None or known.facts.uniform:
        return False
    return under(measures.lightness_median, limit)


def find(known: Known) -> Iterable[Finding]:
    """Warn of a picture whose middle tone is dark."""
    measures, surface = known.measures, known.surface
    if measures is None or not is_dark_on_metal(known):
        return
    median = rounded(measures.lightness_median)
    yield caution(
        CODE,
        f"Half of {known.name} is no lighter than L* {median}, and {surface.name} has no white to "
        f"lift it: all its tones lie between about L* {rounded(surface.black_l)} and "
        f"{rounded(surface.white_l)}, so it will look murky.",
        "Brighten it, or choose a panel with a white base.",
        figures={"median": median},
    )
