"""A mostly dark picture on a surface whose black is a dark grey."""

from __future__ import annotations

from collections.abc import Iterable
from decimal import Decimal
from typing import Final

from platemark.model.asking import caution
from platemark.model.finding import Finding
from platemark.model.known import Known
from platemark.model.suiting import percent, rounded, under

CODE: Final = "suit-low-key"
ACCEPT: Final = "assistant"


def is_low_key(known: Known) -> bool:
    """Whether it is, on a surface that asks; of one plain colour nothing is lost."""
    measures, suits = known.measures, known.surface.suits
    return (
        measures is not None
        and not known.facts.uniform
        and under(measures.lightness_median, suits.low_key_median_l)
        and under(measures.lightness_p95, suits.low_key_p95_l)
    )


def find(known: Known) -> Iterable[Finding]:
    """Warn of a low key; how much of it closes up is told with it."""
    if not is_low_key(known) or known.measures is None:
        return
    measures, surface = known.measures, known.surface
    median, closes = rounded(measures.lightness_median), percent(measures.shadow_percent)
    dark = f"{known.name} is mostly dark: half of it is no lighter than L* {median}"
    black = f"the deepest black of {surface.name} (L* {rounded(surface.black_l)})"
    holds = Decimal(measures.shadow_percent) >= 1
    yield caution(
        CODE,
        f"{dark}, and {closes} of it has detail darker than {black}."
        if holds
        else f"{dark}, and {black} is not far below.",
        "Lift the shadows and look at a test print; or choose a glossy paper or acrylic, which "
        "keep the depth.",
        figures={"median": median, "shadows": closes},
    )
