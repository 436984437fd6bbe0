"""Bleed or wrap that is taken from the picture itself."""

from __future__ import annotations

from collections.abc import Iterable
from fractions import Fraction
from typing import Final

from platemark.model.asking import caution, stop
from platemark.model.finding import Finding
from platemark.model.known import Known
from platemark.model.measured import measures_document
from platemark.model.units import shown

CODE: Final = "edge-takes-picture"
ACCEPT: Final = "photographer"

LARGEST_TERM: Final = 20
"""Beyond it a proportion says more as a decimal than as a ratio."""


def find(known: Known) -> Iterable[Finding]:
    """Stop `edge = image` on a wrap, which leaves less of the picture on the face; bleed warns.

    Common practice: 6000 × 7200 px round bars of 1.5 in with .5 in of tuck leave 66.7 % on the
    face, and 5:6 becomes 4:5.
    """
    layout = known.layout
    if layout is None or layout.edge.mode != "image":
        return
    face, placed = layout.face, layout.placed
    left = Fraction(face.width * face.height, placed.width * placed.height)
    kept = round(left * 1000) / Fraction(10)
    taken = f"{shown(100 - kept)} %"
    whole = proportion(known.facts.upright_width, known.facts.upright_height)
    becomes = proportion(layout.size.w.mm, layout.size.h.mm)
    shape = f" and {whole} becomes {becomes}" if whole != becomes else ""
    figures = {"taken": taken, "face": becomes, "size": str(layout.size)}
    if not layout.wrap_px:
        yield caution(
            CODE,
            f"The bleed takes {taken} of {known.name}; the rest of it is what is seen.",
            figures=figures,
        )
        return
    is_whole = measures_document(known.facts, layout, known.product)
    yield stop(
        CODE,
        ACCEPT,
        f"The wrap takes {taken} of {known.name}: {shown(kept)} % of it stays on the face{shape}.",
        "Accept if what matters stays on the face; edge = mirror or a plain colour keeps all of "
        "the picture there.",
        figures=figures,
        choices=("edge=included",) if is_whole else ("edge=mirror",),
    )


def proportion(width: Fraction | int, height: Fraction | int) -> str:
    """A proportion for people: `4:5`, or `1:1.41` where no small numbers say it."""
    ratio = Fraction(width) / Fraction(height)
    near = ratio.limit_denominator(LARGEST_TERM)
    is_plain = abs(near / ratio - 1) * 1000 <= 1 and near.numerator <= LARGEST_TERM
    if near and is_plain:
        return f"{near.numerator}:{near.denominator}"
    return f"{shown(ratio, 2)}:1" if ratio >= 1 else f"1:{shown(1 / ratio, 2)}"
