"""The picture and the size must have the same proportion."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import replace
from fractions import Fraction
from typing import Final

from platemark.model.asking import caution, stop
from platemark.model.finding import Finding
from platemark.model.geometry import (
    MOST_TRIMMED_PERCENT,
    REAL_PIXELS_AT_EDGE,
    SILENT_MM,
    SILENT_PERCENT,
    Layout,
    Misfit,
    lay_out,
    turned_on_its_side,
)
from platemark.model.known import Known
from platemark.model.request import CropBox, Request
from platemark.model.surface import Surface
from platemark.model.units import Length, parse_full_size, shown

CODE: Final = "size-proportion"
ACCEPT: Final = "never"


def find(known: Known) -> Iterable[Finding]:
    """Stop or warn when the picture's proportion is not the size's, unless `fit` is given.

    Up to 0.5 % and 2 mm a side is trimmed without a word, up to 2 % with a caution; beyond that
    `fit` decides (common practice).
    """
    layout, request = known.layout, known.resolved.request
    # A border of a given width is not what keeps a picture whole, so `border` decides nothing then.
    bordered = request.fit == "border" and request.border is None
    if layout is not None and request.fit == "crop" and isinstance(request.crop_at, CropBox):
        yield from _cut_of_box(known, layout, request.crop_at)
    if layout is None or request.fit == "crop" or bordered:
        return
    facts = known.facts
    width, height = facts.upright_width, facts.upright_height
    if turned_on_its_side(width, height, request, known.surface) is not None:
        return  # asked about by itself
    percent = layout.aspect_error * 100
    lost = 100 - Fraction(100 * layout.crop.width * layout.crop.height, width * height)
    unit_mm = Length.parse(f"1{layout.size.unit}").mm
    cut = f"{shown(layout.cut_mm / unit_mm, 2)}{layout.size.unit} from each of two sides"
    if percent <= SILENT_PERCENT and layout.cut_mm <= SILENT_MM:
        return
    figures = {"cut": f"{shown(lost)} %", "size": str(layout.size)}
    if percent <= MOST_TRIMMED_PERCENT:
        yield caution(
            CODE,
            f"{known.name} is not quite of the proportion of {_place(layout)}: "
            f"{shown(lost)} % of it is trimmed, {cut}.",
            figures=figures,
        )
        return
    sizes = tuple(f"size={size}" for size in known.sold_like(width, height) if _suits(known, size))
    whole = _whole(request, known.surface)
    ways = ["Crop it"]
    if whole:
        ways.append("keep it whole with a white border")
    if sizes:
        ways.append("take a size of its own proportion")
    yield stop(
        CODE,
        ACCEPT,
        f"{known.name} ({width} × {height} px) has another proportion than {_place(layout)}: "
        f"to fill it, {shown(lost)} % of the picture would be cut off, {cut}.",
        ", or ".join(part for part in (", ".join(ways[:-1]), ways[-1]) if part) + ".",
        figures=figures,
        choices=("fit=crop", *whole, *sizes),
    )


def _cut_of_box(known: Known, layout: Layout, box: CropBox) -> Iterable[Finding]:
    """Warn where a crop by hand is of another proportion than the print, so that more is cut."""
    facts = known.facts
    chosen = Fraction(box.right - box.left) * Fraction(box.bottom - box.top)
    chosen *= facts.upright_width * facts.upright_height
    lost = 100 - 100 * layout.crop.width * layout.crop.height / chosen
    if lost > MOST_TRIMMED_PERCENT:
        yield caution(
            CODE,
            f"The part of {known.name} that crop_at = {box} keeps is of another proportion than "
            f"{_place(layout)}: a further {shown(lost)} % of it is cut off.",
            "crop_at has the places of its left, top, right and bottom edge.",
            figures={"cut": f"{shown(lost)} %", "size": str(layout.size)},
        )


def _place(layout: Layout) -> str:
    """What the picture has to fill, in words."""
    if layout.edge.mode not in REAL_PIXELS_AT_EDGE:
        return str(layout.size)
    return f"{layout.size} with its {'wrap' if layout.wrap_px else 'bleed'}"


def _suits(known: Known, size: str) -> bool:
    """Whether the picture fills that size, with whatever lies around it."""
    if known.product is None:
        return False
    facts, request = known.facts, replace(known.resolved.request, size=parse_full_size(size))
    upright = (facts.upright_width, facts.upright_height)
    try:
        layout = lay_out(*upright, request, known.surface, known.product)
    except Misfit:
        return False
    return layout.aspect_error * 100 <= MOST_TRIMMED_PERCENT


def _whole(request: Request, surface: Surface) -> tuple[str, ...]:
    """The answer that keeps the picture whole, where paper may stay white around it."""
    edged = request.edge is not None and request.edge.mode != "none"
    if surface.edge == "wrap" or edged or request.border is not None:
        return ()
    return ("fit=border",)
