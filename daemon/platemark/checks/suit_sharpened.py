"""Sharpening a picture that was sharpened already."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Final

from platemark.model.asking import caution
from platemark.model.finding import Finding
from platemark.model.known import Known
from platemark.model.suiting import over, rounded

CODE: Final = "suit-sharpened"
ACCEPT: Final = "assistant"


def find(known: Known) -> Iterable[Finding]:
    """Warn of rims beside its edges where sharpening is asked."""
    measures, suits = known.measures, known.surface.suits
    if measures is None or known.resolved.request.sharpen != "surface":
        return
    if not over(measures.halo, suits.halo):
        return
    halo = rounded(measures.halo or "0")
    yield caution(
        CODE,
        f"{known.name} has rims of {halo} L* beside its edges, so it was sharpened already, and "
        "sharpening is asked again.",
        "Leave sharpen out, or drop the picture as it was before it was sharpened.",
        figures={"rim": halo},
    )
