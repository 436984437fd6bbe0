"""Enough pixels for the size."""

from __future__ import annotations

from collections.abc import Iterable
from fractions import Fraction
from typing import Final

from platemark.model.asking import caution, stop
from platemark.model.finding import Finding
from platemark.model.geometry import Layout
from platemark.model.known import Known
from platemark.model.units import Length, shown

CODE: Final = "size-too-few-pixels"
ACCEPT: Final = "photographer"

# One minute of arc: 1/tan(1/60°) = 3437.75, used as 3438 / distance in inches (trigonometry).
PPI_INCHES: Final = 3438
LOWEST_BY_DISTANCE: Final = 60


def find(known: Known) -> Iterable[Finding]:
    """Stop below the surface's floor; warn below its caution level or beyond twofold."""
    layout = known.layout
    if layout is None:
        return
    stop_at, warn_at = floors(known)
    native = layout.native_ppi
    figures = {"ppi": shown(native), "size": str(layout.size)}
    said = f"{known.name} has {shown(native)} ppi at {layout.size}"
    if native < stop_at:
        yield stop(
            CODE,
            ACCEPT,
            f"{said}; {known.surface.name} wants at least {shown(stop_at)}.",
            f"Choose a smaller size: up to {largest_size(layout, stop_at)} would do. Or accept it "
            "after looking at a test.",
            figures=figures,
            choices=smaller_sizes(known, layout, stop_at),
        )
    elif native < warn_at:
        yield caution(
            CODE,
            f"{said}; {known.surface.name} looks its best from {shown(warn_at)} up.",
            figures=figures,
        )
    elif layout.factor > 2:
        yield caution(
            CODE, f"{said}; it is enlarged {shown(layout.factor, 2)} times.", figures=figures
        )


def floors(known: Known) -> tuple[Fraction, Fraction]:
    """The stop and caution levels in ppi: the surface's, or less for a stated viewing distance."""
    ppi = known.surface.ppi
    viewing = known.resolved.request.viewing
    if viewing is None:
        return Fraction(ppi.stop), Fraction(ppi.caution)
    warn = min(Fraction(ppi.caution), Fraction(PPI_INCHES) / viewing.inches)
    floor = Fraction(LOWEST_BY_DISTANCE)
    return max(warn * Fraction(6, 10), floor), max(warn, floor)


def largest_size(layout: Layout, ppi: Fraction) -> str:
    """The largest size of this proportion at `ppi`, in the unit that was asked."""
    unit_mm = Length.parse(f"1{layout.size.unit}").mm
    share = layout.native_ppi / ppi
    sides = (layout.size.w.mm * share / unit_mm, layout.size.h.mm * share / unit_mm)
    return f"{shown(sides[0])}x{shown(sides[1])}{layout.size.unit}"


def smaller_sizes(known: Known, layout: Layout, ppi: Fraction) -> tuple[str, ...]:
    """Up to three sizes of the lab, of the same proportion within 2 %, that have enough pixels."""
    if known.product is None:
        return ()
    fitting = []
    for sold in known.product.sizes:
        size = sold.standing_like(layout.size.orientation)
        off = abs((size.w.mm / size.h.mm) / (layout.size.w.mm / layout.size.h.mm) - 1)
        enough = layout.native_ppi * layout.size.w.mm / size.w.mm >= ppi
        if off * 100 <= 2 and enough:
            fitting.append(size)
    fitting.sort(key=lambda size: -size.w.mm)
    return tuple(f"size={size}" for size in fitting[:3])
