"""A soft picture on a surface that shows every lack of bite."""

from __future__ import annotations

from collections.abc import Iterable
from decimal import Decimal
from typing import Final

from platemark.model.asking import caution
from platemark.model.finding import Finding
from platemark.model.known import Known
from platemark.model.suiting import over, rounded, under

CODE: Final = "suit-soft"
ACCEPT: Final = "assistant"

FINE_PERCENT: Final = Decimal(50)
"""Lines of single pixels have no slope that is measured over two, and are anything but soft."""


def find(known: Known) -> Iterable[Finding]:
    """Warn of a picture without a sharp edge at the size of its print."""
    measures, suits = known.measures, known.surface.suits
    if measures is None or known.facts.uniform:
        return
    if not under(measures.gradient_p99, suits.soft_gradient):
        return
    if over(measures.fine_detail_percent, FINE_PERCENT):
        return
    bite = rounded(measures.gradient_p99, 1)
    yield caution(
        CODE,
        f"{known.name} is soft at this size: even its sharpest edges change by only {bite} L* from "
        f"pixel to pixel, and {known.surface.name} shows the lack of bite.",
        "Choose rag, etching or canvas, which suit a diffuse look, or print it smaller.",
        figures={"bite": bite},
    )
