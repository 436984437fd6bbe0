"""Shadows that hold detail and are darker than the surface can print."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Final

from platemark.checks.suit_dark_on_metal import is_dark_on_metal
from platemark.checks.suit_low_key import is_low_key
from platemark.model.asking import caution
from platemark.model.finding import Finding
from platemark.model.known import Known
from platemark.model.suiting import over, percent, rounded

CODE: Final = "suit-shadows"
ACCEPT: Final = "assistant"


def find(known: Known) -> Iterable[Finding]:
    """Warn of them; of a picture that is dark all over, that is said instead."""
    measures, surface = known.measures, known.surface
    if measures is None or is_low_key(known) or is_dark_on_metal(known):
        return
    if not over(measures.shadow_percent, surface.suits.shadow_percent):
        return
    closes = percent(measures.shadow_percent)
    yield caution(
        CODE,
        f"{closes} of {known.name} has detail darker than {surface.name} can print (L* "
        f"{rounded(surface.black_l)}): it will close up or be lifted.",
        "Open the shadows in your editor and look at a test print, or choose a surface with a "
        "deeper black.",
        figures={"shadows": closes},
    )
