"""A file that already has its bleed or wrap."""

from __future__ import annotations

from collections.abc import Iterable
from fractions import Fraction
from typing import Final

from platemark.model.asking import stop
from platemark.model.finding import Finding
from platemark.model.known import Known
from platemark.model.units import Length, Size

CODE: Final = "edge-already-there"
ACCEPT: Final = "photographer"

HALF_MM: Final = Fraction(1, 2)


def find(known: Known) -> Iterable[Finding]:
    """Stop a picture whose pixels equal the document with its bleed or wrap, unless it says so."""
    layout, product = known.layout, known.product
    if layout is None or product is None or layout.edge.mode in ("none", "included"):
        return
    extras = (layout.wrap, product.tuck) if layout.wrap_px else (product.bleed,)
    extra = sum((length.mm for length in extras), Fraction(0))
    whole = (layout.size.w.mm + 2 * extra, layout.size.h.mm + 2 * extra)
    facts = known.facts
    pixels = (facts.upright_width, facts.upright_height)
    by_target = pixels == document_px(layout.size, extras, Fraction(product.ppi.target))
    by_tag = False
    if facts.ppi is not None:
        measured = [Fraction(side) / Fraction(facts.ppi) * Fraction(254, 10) for side in pixels]
        by_tag = all(abs(m - w) <= HALF_MM for m, w in zip(measured, whole, strict=True))
    if by_target or by_tag:
        kind = "wrap" if layout.wrap_px else "bleed"
        yield stop(
            CODE,
            ACCEPT,
            f"{known.name} measures exactly {layout.size} with its {kind} already on it; more "
            "would "
            f"be added.",
            f"Say edge = included if its outer part is the {kind}. Accept to add {kind} all "
            "the same.",
            figures={"pixels": f"{pixels[0]} × {pixels[1]}", "size": str(layout.size)},
            choices=("edge=included",),
        )


def document_px(size: Size, extras: tuple[Length, ...], ppi: Fraction) -> tuple[int, int]:
    """Pixels of a whole document: trim rounded half up, each extra rounded up on each side."""
    around = 2 * sum(length.px_up(ppi) for length in extras)
    return size.w.px(ppi) + around, size.h.px(ppi) + around
