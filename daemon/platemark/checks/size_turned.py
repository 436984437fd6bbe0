"""On a surface with a direction a size is taken as it is written."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import replace
from typing import Final

from platemark.model.asking import stop
from platemark.model.finding import Finding
from platemark.model.geometry import turned_on_its_side
from platemark.model.known import Known
from platemark.model.units import Size

CODE: Final = "size-turned"
ACCEPT: Final = "never"


def find(known: Known) -> Iterable[Finding]:
    """Stop an upright picture for a lying size, or the other way, where lines or grain run."""
    width, height = known.facts.upright_width, known.facts.upright_height
    surface = known.surface
    size = turned_on_its_side(width, height, known.resolved.request, surface)
    if size is None or known.layout is None:
        return
    other = size.turned()
    plain = _unnamed(other)
    way = "width" if surface.direction == "along-width" else "height"
    picture = "lies" if width > height else "stands upright"
    yield stop(
        CODE,
        ACCEPT,
        f"{known.name} {picture} ({width} × {height} px), and {size} is {size.w} wide and {size.h} "
        f"high; {surface.name} has lines along its {way}, so nothing is turned.",
        f"Take {plain} if the lines may run along the {way} of the picture as it is, or crop the "
        "picture.",
        figures={"pixels": f"{width} × {height}", "size": _unnamed(size)},
        choices=(f"{'size' if known.resolved.request.size else 'sheet'}={plain}", "fit=crop"),
    )


def _unnamed(size: Size) -> str:
    """Both sides in their order, which an ISO name does not tell."""
    return str(replace(size, name=None))
