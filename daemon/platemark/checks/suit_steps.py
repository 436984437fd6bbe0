"""Steps in what should be smooth."""

from __future__ import annotations

from collections.abc import Iterable
from decimal import Decimal
from typing import Final

from platemark.model.asking import caution
from platemark.model.finding import Finding
from platemark.model.known import Known
from platemark.model.suiting import over, percent

CODE: Final = "suit-steps"
ACCEPT: Final = "assistant"

DRAWN_PERCENT: Final = Decimal(90)
"""A picture of so few levels is drawn, and has no gradation that could break."""


def find(known: Known) -> Iterable[Finding]:
    """Warn of levels that are missing, and of plain bands with a step between them."""
    measures, suits = known.measures, known.surface.suits
    if measures is None or known.facts.uniform:
        return
    empty, bands = measures.empty_levels_percent, measures.plateau_percent
    causes = {}
    if over(empty, suits.empty_levels_percent) and not over(empty, DRAWN_PERCENT):
        causes["missing"] = f"{percent(empty)} of the levels of one channel are missing"
    if over(bands, suits.plateau_percent):
        causes["bands"] = f"{percent(bands)} of it lies in plain bands"
    if not causes:
        return
    said = {"missing": percent(empty), "bands": percent(bands)}
    yield caution(
        CODE,
        f"Smooth areas of {known.name} may show steps: {' and '.join(causes.values())}.",
        "Use the 16-bit original, or add a trace of fine noise in your editor.",
        figures={key: said[key] for key in causes},
    )
