"""Straight lines that a mirrored wrap turns to a V."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Final

from platemark.model.asking import caution
from platemark.model.finding import Finding
from platemark.model.known import Known

CODE: Final = "suit-mirrored-lines"
ACCEPT: Final = "assistant"


def find(known: Known) -> Iterable[Finding]:
    """Warn of them where the wrap is mirrored."""
    measures, layout = known.measures, known.layout
    limit = known.surface.suits.mirrored_lines
    if measures is None or layout is None or limit is None:
        return
    if not layout.wrap_px or layout.edge.mode != "mirror" or measures.edge_lines < limit:
        return
    yield caution(
        CODE,
        f"{measures.edge_lines} long straight lines of {known.name} run over the edge, and its "
        "mirrored sides will make a V of each that is not square to it.",
        "Choose solid sides (edge = solid and a colour) or real picture there (edge = image).",
        figures={"lines": str(measures.edge_lines)},
    )
