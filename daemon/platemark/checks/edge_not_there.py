"""A file that is said to have its bleed or wrap, and does not."""

from __future__ import annotations

from collections.abc import Iterable
from fractions import Fraction
from typing import Final

from platemark.model.asking import stop
from platemark.model.finding import Finding
from platemark.model.geometry import SILENT_PERCENT, aspect_error
from platemark.model.known import Known
from platemark.model.measured import extras_of, measures_document, tag_says
from platemark.model.units import MM_PER, shown

CODE: Final = "edge-not-there"
ACCEPT: Final = "photographer"


def find(known: Known) -> Iterable[Finding]:
    """Stop `edge = included` where the picture is that of the face alone.

    Its outer millimetres would be cut off or folded away unseen. Its own tag decides where that
    comes to the one or the other; else the proportion, where it is nearer to the face's.
    """
    layout = known.layout
    if layout is None or layout.edge.mode != "included":
        return
    if measures_document(known.facts, layout, known.product):
        return
    width, height = known.facts.upright_width, known.facts.upright_height
    off = aspect_error(width, height, layout.size)
    by_tag = tag_says(known.facts, layout, Fraction(0))
    by_shape = off * 100 <= SILENT_PERCENT and off < layout.aspect_error
    if not by_tag and not by_shape:
        return
    kind, verb = ("wrap", "folded away") if layout.wrap_px else ("bleed", "cut off")
    around = sum((length.inches for length in extras_of(layout, known.product)), Fraction(0))
    unit = layout.size.unit
    lost = f"{shown(around * MM_PER['in'] / MM_PER[unit], 2)}{unit}"
    said = (
        f"by its own {known.facts.ppi} ppi it measures {layout.size}"
        if by_tag
        else f"its {width} × {height} px have the proportion of {layout.size}"
    )
    yield stop(
        CODE,
        ACCEPT,
        f"{known.name} is said to include its {kind}, but {said} alone, so {lost} of the picture "
        f"would be {verb} on each side.",
        f"Say edge = mirror to have the {kind} added. Accept if its outer {lost} may go.",
        figures={"lost": lost, "pixels": f"{width} × {height}", "size": str(layout.size)},
        choices=("edge=mirror",),
    )
