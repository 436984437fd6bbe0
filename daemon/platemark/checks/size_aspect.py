"""The picture and the size must have the same proportion."""

from __future__ import annotations

from collections.abc import Iterable
from fractions import Fraction
from typing import Final

from platemark.model.asking import caution, stop
from platemark.model.finding import Finding
from platemark.model.known import Known
from platemark.model.units import shown

CODE: Final = "size-proportion"
ACCEPT: Final = "never"

SILENT_PERCENT: Final = Fraction(1, 2)
SILENT_MM: Final = 2
CAUTION_PERCENT: Final = 2


def find(known: Known) -> Iterable[Finding]:
    """Stop or warn when the picture's proportion is not the size's, unless `fit` is given.

    Up to 0.5 % and 2 mm a side is trimmed without a word, up to 2 % with a caution; beyond that
    `fit` decides (common practice).
    """
    layout, request = known.layout, known.resolved.request
    if layout is None or request.fit != "hold":
        return
    percent = layout.aspect_error * 100
    if percent <= SILENT_PERCENT and layout.cut_mm <= SILENT_MM:
        return
    facts = known.facts
    figures = {"off": f"{shown(percent, 2)} %", "size": str(layout.size)}
    said = (
        f"{known.name} ({facts.upright_width} × {facts.upright_height} px) is "
        f"{shown(percent, 2)} % "
        f"off the proportion of {layout.size}"
    )
    if percent <= CAUTION_PERCENT:
        yield caution(
            CODE,
            f"{said}; {shown(layout.cut_mm)} mm are trimmed from two opposite sides.",
            figures=figures,
        )
        return
    sizes = tuple(
        f"size={size}" for size in known.sold_like(facts.upright_width, facts.upright_height)
    )
    yield stop(
        CODE,
        ACCEPT,
        f"{said}; to fill it, {shown(layout.cut_mm)} mm would be cut from each of two sides.",
        "Choose: crop it, keep it whole with a white border, or take a size of its own proportion.",
        figures=figures,
        choices=("fit=crop", "fit=border", *sizes),
    )
