"""A size that the lab sells."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Final

from platemark.model.asking import stop
from platemark.model.finding import Finding
from platemark.model.known import Known

CODE: Final = "size-not-sold"
ACCEPT: Final = "photographer"


def find(known: Known) -> Iterable[Finding]:
    """Stop a size that is not in the lab's list, where it has one."""
    layout, product = known.layout, known.product
    if layout is None or product is None:
        return
    sheet = layout.sheet
    if product.max_side is not None and max(sheet.w.mm, sheet.h.mm) > product.max_side.mm:
        yield stop(
            CODE,
            "never",
            f"{product.name} goes up to {product.max_side} a side; {sheet} is larger.",
            "Choose a smaller size.",
        )
    elif product.sizes and not any(sheet.same_as(size) for size in product.sizes):
        facts = known.facts
        near = tuple(
            f"size={size}" for size in known.sold_like(facts.upright_width, facts.upright_height)
        )
        yield stop(
            CODE,
            ACCEPT,
            f"{sheet} is not a size in which {product.name} is sold.",
            "Check the unit (in or cm?), choose a size that is sold, or accept it as a "
            "special order "
            "that you have agreed with the lab.",
            figures={"size": str(sheet)},
            choices=near,
        )
