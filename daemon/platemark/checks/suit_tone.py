"""A toned picture whose tone changes on the surface."""

from __future__ import annotations

from collections.abc import Iterable
from decimal import Decimal
from typing import Final

from platemark.model.asking import caution
from platemark.model.finding import Finding
from platemark.model.known import Known
from platemark.model.suiting import over, rounded

CODE: Final = "suit-tone"
ACCEPT: Final = "assistant"

WARM_HUES: Final = (20, 110)
"""Degrees: from a reddish brown to a yellow one."""


def find(known: Known) -> Iterable[Finding]:
    """Warn of a hue that is turned, or of a warm tone on a cold white."""
    measures, surface = known.measures, known.surface
    if measures is None or measures.tone != "toned":
        return
    cool, white = surface.suits.cool_white_b, surface.white_b
    if over(measures.converted_hue_shift, surface.suits.hue_turn):
        turn = rounded(measures.converted_hue_shift or "0")
        yield caution(
            CODE,
            f"{known.name} is toned, and printing on {surface.name} turns the hue of its tone by "
            f"{turn}°.",
            "Look at a test strip, or choose another surface.",
            figures={"turn": turn},
        )
    elif cool is not None and white <= cool and _is_warm(measures.hue):
        yield caution(
            CODE,
            f"{known.name} is toned warm, and the white of {surface.name} is cold (b* "
            f"{rounded(white, 1)}): the tone will look cooler than on your display.",
            "Choose a warmer white, such as rag, or look at a test strip.",
            figures={"white b*": rounded(white, 1)},
        )


def _is_warm(hue: str | None) -> bool:
    return hue is not None and WARM_HUES[0] <= Decimal(hue) <= WARM_HUES[1]
