"""Busy detail where the picture is folded over."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Final

from platemark.model.asking import caution
from platemark.model.finding import Finding
from platemark.model.known import Known
from platemark.model.suiting import over, rounded

CODE: Final = "suit-busy-wrap"
ACCEPT: Final = "assistant"


def find(known: Known) -> Iterable[Finding]:
    """Warn of it, unless the sides are one plain colour."""
    measures, layout = known.measures, known.layout
    if measures is None or layout is None or not layout.wrap_px or layout.edge.mode == "solid":
        return
    if not over(measures.busy_edge, known.surface.suits.busy_wrap):
        return
    times = rounded(measures.busy_edge, 1)
    yield caution(
        CODE,
        f"The outer part of {known.name} is {times} times as busy as the rest: that detail will "
        "fold over the edge.",
        "Choose solid sides (edge = solid and a colour), or leave more room around what matters.",
        figures={"times": times},
    )
