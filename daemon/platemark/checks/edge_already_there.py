"""A file that already has its bleed or wrap."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Final

from platemark.model.asking import stop
from platemark.model.finding import Finding
from platemark.model.known import Known
from platemark.model.measured import measures_document

CODE: Final = "edge-already-there"
ACCEPT: Final = "photographer"


def find(known: Known) -> Iterable[Finding]:
    """Stop a picture whose pixels equal the document with its bleed or wrap, unless it says so."""
    layout = known.layout
    if layout is None or layout.edge.mode in ("none", "included", "image"):
        return
    if not measures_document(known.facts, layout, known.product):
        return
    kind = "wrap" if layout.wrap_px else "bleed"
    pixels = f"{known.facts.upright_width} × {known.facts.upright_height}"
    yield stop(
        CODE,
        ACCEPT,
        f"{known.name} measures {layout.size} with its {kind} already on it; more would be added.",
        f"Say edge = included if its outer part is the {kind}. Accept to add {kind} all the same.",
        figures={"pixels": pixels, "size": str(layout.size)},
        choices=("edge=included",),
    )
