"""What a file measures by itself: the face alone, or the face with bleed or wrap already on it."""

from __future__ import annotations

from fractions import Fraction

from platemark.model.geometry import Layout, document_px
from platemark.model.lab import Product
from platemark.model.picture import Facts
from platemark.model.units import MM_PER, Length

_HALF_MM = Fraction(1, 2)
ROUNDED_PX = 2
"""Editors round the whole document where we round up on each side."""


def measures_document(facts: Facts, layout: Layout, product: Product | None) -> bool:
    """Whether a picture is as large as its face with bleed or wrap, by its pixels or its tag."""
    if product is None:
        return False
    extras = extras_of(layout, product)
    around = 2 * sum((length.mm for length in extras), Fraction(0))
    pixels = (facts.upright_width, facts.upright_height)
    document = document_px(layout.size, extras, product.ppi.target)
    by_target = all(
        abs(side - whole) <= ROUNDED_PX for side, whole in zip(pixels, document, strict=True)
    )
    return by_target or tag_says(facts, layout, around)


def extras_of(layout: Layout, product: Product | None) -> tuple[Length, ...]:
    """What lies around the face: the bar and the tuck, or the bleed."""
    if product is None:
        return ()
    return (layout.wrap, product.tuck) if layout.wrap_px else (product.bleed,)


def tag_says(facts: Facts, layout: Layout, around_mm: Fraction) -> bool:
    """Whether pixels by the file's own ppi come to the face and `around_mm`, within .5 mm."""
    if facts.ppi is None:
        return False
    pixels = (facts.upright_width, facts.upright_height)
    measured = [side / Fraction(facts.ppi) * MM_PER["in"] for side in pixels]
    wanted = (layout.size.w.mm + around_mm, layout.size.h.mm + around_mm)
    return all(abs(m - w) <= _HALF_MM for m, w in zip(measured, wanted, strict=True))
