"""A print needs a size."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Final

from platemark.model.asking import stop
from platemark.model.finding import Finding
from platemark.model.known import Known
from platemark.model.units import BadSize, parse_full_size

CODE: Final = "size-missing"
ACCEPT: Final = "never"


def find(known: Known) -> Iterable[Finding]:
    """Stop when nothing gives a size that can be read, or the measures contradict each other."""
    request = known.resolved.request
    if request.size is None and request.sheet is None:
        troubles = [t for t in known.resolved.troubles if t.key in ("size", "sheet")]
        meant = tuple(c for t in troubles for c in t.choices if _is_sold(known, c))
        facts = known.facts
        nearest = tuple(
            f"size={size}" for size in known.sold_like(facts.upright_width, facts.upright_height)
        )
        said = f"Nothing says how large {known.name} is to be printed."
        yield stop(
            CODE,
            ACCEPT,
            " ".join((said, *(trouble.sentence for trouble in troubles))),
            "Answer with a size."
            if troubles
            else "Give a size: in the name (heron_16x20in.tif), by a size folder (16x20in), or in "
            "your answer.",
            choices=tuple(dict.fromkeys(meant or nearest)),
        )
    elif known.misfit:
        yield stop(
            CODE,
            ACCEPT,
            f"The measures of {known.name} do not fit together: {known.misfit}.",
            "Answer with what is to be changed or left out.",
            choices=_ways_out(known),
        )


def _ways_out(known: Known) -> tuple[str, ...]:
    """What may be left out or changed of measures that do not fit together."""
    request, product = known.resolved.request, known.product
    ways = []
    if request.wrap is not None and product is not None and known.surface.edge == "wrap":
        ways += [f"wrap={bar}" for bar in (product.wrap, *product.wraps)]
    if request.border is not None:
        ways.append("border=none")
    if request.sheet is not None and request.size is not None:
        ways.append("sheet=none")
    if request.edge is not None and request.edge.mode != "none" and known.surface.edge != "wrap":
        ways.append("edge=none")
    return tuple(ways)


def _is_sold(known: Known, choice: str) -> bool:
    """Whether `size=…` is a size that the lab prints."""
    try:
        size = parse_full_size(choice.removeprefix("size="))
    except BadSize:
        return False
    return known.product is None or known.sells(size)
