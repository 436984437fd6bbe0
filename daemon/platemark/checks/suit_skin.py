"""Colours like skin, where they are moved or turn to metal."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Final

from platemark.model.asking import caution
from platemark.model.finding import Finding
from platemark.model.known import Known
from platemark.model.suiting import over, percent, rounded

CODE: Final = "suit-skin"
ACCEPT: Final = "assistant"


def find(known: Known) -> Iterable[Finding]:
    """Warn of a portrait whose skin changes.

    Only colour is looked at: wood, sand and fur have it too, and the sentence says no more.
    """
    measures, surface = known.measures, known.surface
    if measures is None or measures.tone != "coloured" or measures.skin_shift is None:
        return
    if not over(measures.skin_percent, surface.suits.skin_percent):
        return
    share = percent(measures.skin_percent)
    said = f"{share} of {known.name} has colours like skin"
    if surface.bare_metal:
        yield caution(
            CODE,
            f"{said}, and on {surface.name} skin turns grey and changes as you walk past.",
            "If these are people, choose a panel with a white base, or look at a test strip first.",
            figures={"skin": share},
        )
    elif over(measures.skin_shift, surface.suits.skin_shift):
        shift = rounded(measures.skin_shift, 1)
        yield caution(
            CODE,
            f"{said}, and printing on {surface.name} moves them by {shift} (ΔE00) on average.",
            "If these are people, look at their skin on a test strip first.",
            figures={"skin": share, "shift": shift},
        )
