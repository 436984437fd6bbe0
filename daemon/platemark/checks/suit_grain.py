"""Grain that will be plain on the print."""

from __future__ import annotations

from collections.abc import Iterable
from decimal import Decimal
from typing import Final

from platemark.model.asking import caution
from platemark.model.finding import Finding
from platemark.model.known import Known
from platemark.model.suiting import over, rounded

CODE: Final = "suit-grain"
ACCEPT: Final = "assistant"

PATTERN_L: Final = Decimal(20)
"""L*; no film or sensor has so much, but lines and dots of single pixels do."""


def find(known: Known) -> Iterable[Finding]:
    """Warn of it, and against sharpening it."""
    measures, surface = known.measures, known.surface
    if measures is None or not over(measures.grain, surface.suits.grain):
        return
    if over(measures.grain, PATTERN_L):
        return
    grain = rounded(measures.grain or "0", 1)
    asked = known.resolved.request.sharpen == "surface"
    yield caution(
        CODE,
        f"{known.name} has strong grain ({grain} L* in smooth areas), and it will be plain on "
        f"{surface.name}" + (", the more as sharpening is asked." if asked else "."),
        "Leave sharpening out; a textured surface hides grain.",
        figures={"grain": grain},
    )
