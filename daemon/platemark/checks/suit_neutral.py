"""Black and white that would not stay neutral."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Final

from platemark.model.asking import caution
from platemark.model.finding import Finding
from platemark.model.known import Known
from platemark.model.suiting import over, rounded

CODE: Final = "suit-neutral"
ACCEPT: Final = "assistant"


def find(known: Known) -> Iterable[Finding]:
    """Warn of grey that gets a colour on its way to the print."""
    measures, surface = known.measures, known.surface
    if measures is None or measures.tone != "neutral":
        return
    if not over(measures.converted_chroma, surface.suits.neutral_chroma):
        return
    chroma = rounded(measures.converted_chroma, 1)
    yield caution(
        CODE,
        f"{known.name} is black and white, and its greys would have a colour on {surface.name} "
        f"(C* {chroma} on average): they may look tinted.",
        "Ask the lab for a strip and look at it under the light where it will hang; or tone the "
        "picture on purpose.",
        figures={"chroma": chroma},
    )
