"""A nearly white rim on a print without a border."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Final

from platemark.model.asking import caution
from platemark.model.finding import Finding
from platemark.model.known import Known
from platemark.model.suiting import over, percent

CODE: Final = "suit-white-edge"
ACCEPT: Final = "assistant"


def find(known: Known) -> Iterable[Finding]:
    """Warn that the picture's edge will not be seen; a solid band is told as such."""
    measures, suits, layout = known.measures, known.surface.suits, known.layout
    if measures is None or layout is None or layout.has_border or layout.wrap_px:
        return
    if known.facts.uniform or known.facts.solid_border:
        return
    if not over(measures.white_edge_percent, suits.white_edge_percent):
        return
    white = percent(measures.white_edge_percent)
    yield caution(
        CODE,
        f"{white} of the rim of {known.name} is nearly white, and without a border nothing marks "
        "where the picture ends.",
        "Ask for a border, draw a thin line round it in your editor, or darken the rim a little.",
        figures={"rim": white},
    )
