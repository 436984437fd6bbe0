"""A size that the lab sells."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import replace
from typing import Final, Literal

from platemark.model.asking import stop
from platemark.model.finding import Finding
from platemark.model.geometry import Layout
from platemark.model.known import Known

CODE: Final = "size-not-sold"
ACCEPT: Final = "photographer"


_OTHER_UNIT: Final[dict[str, Literal["in", "cm"]]] = {"in": "cm", "cm": "in"}


def find(known: Known) -> Iterable[Finding]:
    """Stop a sheet that is not in the lab's list, where it has one."""
    layout, product = known.layout, known.product
    if layout is None or product is None:
        return
    sheet = layout.sheet
    needs = ""
    if layout.has_border:
        needs = f"{layout.size} with a border of {layout.border} needs a sheet of {sheet}, "
    choices, then = _ways(known, layout)
    if product.max_side is not None and max(sheet.w.mm, sheet.h.mm) > product.max_side.mm:
        yield stop(
            CODE,
            ACCEPT,
            f"{product.name} goes up to {product.max_side} a side; "
            + (f"{needs}which is larger." if needs else f"{sheet} is larger."),
            f"{then} Or accept it as a special order that you have agreed with the lab.",
            figures={"size": str(sheet)},
            choices=choices,
        )
    elif product.sizes and not any(sheet.same_as(size) for size in product.sizes):
        yield stop(
            CODE,
            ACCEPT,
            f"{needs}in which {product.name} is not sold."
            if needs
            else f"{sheet} is not a size in which {product.name} is sold.",
            f"{then} Or accept it as a special order that you have agreed with the lab.",
            figures={"size": str(sheet)},
            choices=choices,
        )


def _ways(known: Known, layout: Layout) -> tuple[tuple[str, ...], str]:
    """Ready answers that are sold, and what to do next in words."""
    facts, sheet = known.facts, layout.sheet
    near = [f"size={s}" for s in known.sold_like(facts.upright_width, facts.upright_height)]
    named = " or ".join(size.removeprefix("size=") for size in near)
    choices = near
    then = f"Choose a size that is sold, such as {named}." if near else "Choose another size."
    if layout.has_border:
        request = known.resolved.request
        bare = replace(
            known, resolved=replace(known.resolved, request=replace(request, border=None))
        )
        if request.border is not None and request.sheet is None and bare.sells(layout.size):
            choices = ["border=none", *near]
        then = "Leave the border out, or choose a border and a size that come to a sheet it has."
    unit = _OTHER_UNIT.get(sheet.unit)
    if unit is not None and sheet.name is None and not layout.has_border:
        other = replace(sheet, unit=unit)
        if known.product is not None and known.product.sizes and known.sells(other):
            choices = [f"size={other}", *near]
            then = f"Is the unit right? {other} is sold. Choose a size that is sold."
    return tuple(dict.fromkeys(choices)), then
