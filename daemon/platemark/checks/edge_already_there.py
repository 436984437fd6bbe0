"""A file that already has its bleed or wrap."""

from __future__ import annotations

from collections.abc import Iterable
from fractions import Fraction
from typing import Final

from platemark.model.asking import stop
from platemark.model.finding import Finding
from platemark.model.geometry import Layout, document_px
from platemark.model.known import Known
from platemark.model.picture import Facts
from platemark.model.units import MM_PER, Length

CODE: Final = "edge-already-there"
ACCEPT: Final = "photographer"

HALF_MM: Final = Fraction(1, 2)


def find(known: Known) -> Iterable[Finding]:
    """Stop a picture whose pixels equal the document with its bleed or wrap, unless it says so."""
    layout = known.layout
    if layout is None or layout.edge.mode in ("none", "included", "image"):
        return
    if not measures_document(known):
        return
    kind = "wrap" if layout.wrap_px else "bleed"
    pixels = f"{known.facts.upright_width} × {known.facts.upright_height}"
    yield stop(
        CODE,
        ACCEPT,
        f"{known.name} measures exactly {layout.size} with its {kind} already on it; more "
        "would be added.",
        f"Say edge = included if its outer part is the {kind}. Accept to add {kind} all the same.",
        figures={"pixels": pixels, "size": str(layout.size)},
        choices=("edge=included",),
    )


def measures_document(known: Known) -> bool:
    """Whether a picture is as large as its face with bleed or wrap, by its pixels or its tag."""
    layout, product = known.layout, known.product
    if layout is None or product is None:
        return False
    extras = extras_of(known)
    around = 2 * sum((length.mm for length in extras), Fraction(0))
    pixels = (known.facts.upright_width, known.facts.upright_height)
    by_target = pixels == document_px(layout.size, extras, product.ppi.target)
    return by_target or tag_says(known.facts, layout, around)


def extras_of(known: Known) -> tuple[Length, ...]:
    """What lies around the face: the bar and the tuck, or the bleed."""
    layout, product = known.layout, known.product
    if layout is None or product is None:
        return ()
    return (layout.wrap, product.tuck) if layout.wrap_px else (product.bleed,)


def tag_says(facts: Facts, layout: Layout, around_mm: Fraction) -> bool:
    """Whether pixels by the file's own ppi come to the face and `around_mm`, within .5 mm."""
    if facts.ppi is None:
        return False
    pixels = (facts.upright_width, facts.upright_height)
    measured = [side / Fraction(facts.ppi) * MM_PER["in"] for side in pixels]
    wanted = (layout.size.w.mm + around_mm, layout.size.h.mm + around_mm)
    return all(abs(m - w) <= HALF_MM for m, w in zip(measured, wanted, strict=True))
