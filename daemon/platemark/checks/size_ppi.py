"""Enough pixels for the size, or for the distance that a photographer answers for."""

from __future__ import annotations

from collections.abc import Iterable
from fractions import Fraction
from typing import Final

from platemark.model.asking import caution, stop
from platemark.model.finding import Finding
from platemark.model.geometry import MOST_TRIMMED_PERCENT, Layout, turned_on_its_side
from platemark.model.known import Known
from platemark.model.units import Size, shown

CODE: Final = "size-too-few-pixels"
ACCEPT: Final = "photographer"

# One minute of arc: 1/tan(1/60°) = 3437.75, used as 3438 / distance in inches (trigonometry).
PPI_INCHES: Final = 3438
LOWEST_BY_DISTANCE: Final = 60


def find(known: Known) -> Iterable[Finding]:
    """Stop below the floor; warn below the caution level, or beyond twofold.

    The floors are the surface's. A viewing distance that a photographer signed sets others, and
    what is too little close up is told all the same.
    """
    layout, facts = known.layout, known.facts
    if layout is None or turned_on_its_side(
        facts.upright_width, facts.upright_height, known.resolved.request, known.surface
    ):
        return
    stop_at, warn_at = floors(known)
    native, far = layout.native_ppi, known.resolved.request.viewing
    close_up = known.surface.ppi.caution
    figures = {"ppi": shown(native), "size": str(layout.size)}
    said = f"{known.name} has {shown(native)} ppi at {layout.size}"
    if native < stop_at:
        choices, then = ways_out(known, layout, stop_at)
        yield stop(
            CODE,
            ACCEPT,
            f"{said}; {known.surface.name} wants at least {shown(stop_at)}"
            + (f", seen from {far}." if is_signed(known) else "."),
            then,
            figures=figures,
            choices=choices,
        )
    elif native < warn_at or (is_signed(known) and native < close_up):
        yield caution(CODE, f"{said}; {_wish(known, native, warn_at)}", figures=figures)
    elif layout.factor > 2:
        yield caution(
            CODE, f"{said}; it is enlarged {shown(layout.factor, 2)} times.", figures=figures
        )
    if far is not None and not is_signed(known) and native < close_up:
        yield caution(
            CODE,
            f"{known.name} is to be seen from {far}, which no photographer signed, so that "
            "does not count.",
            "Write by = and the photographer's name beside viewing, or let them answer with it.",
        )


def _wish(known: Known, native: Fraction, warn_at: Fraction) -> str:
    if not is_signed(known):
        return f"{known.surface.name} looks its best from {shown(warn_at)} up."
    how = "enough" if native >= warn_at else "its best"
    return (
        f"seen from {known.resolved.request.viewing}, {shown(warn_at)} ppi is {how}; close up it "
        f"would want {known.surface.ppi.caution}."
    )


def is_signed(known: Known) -> bool:
    """Whether a photographer said how far away the print is seen: it lets fewer pixels pass.

    An answer with a distance is taken from nobody else.
    """
    resolved = known.resolved
    if resolved.request.viewing is None:
        return False
    by_answer = dict(resolved.sources).get("viewing") == "decision"
    return by_answer or resolved.request.by in known.photographers


def floors(known: Known) -> tuple[Fraction, Fraction]:
    """The stop and caution levels in ppi: the surface's, or those of a signed viewing distance.

    By distance, what the eye can tell apart is enough, and never more than the product prints;
    less than six tenths of that is a stop (common practice), and so is less than 60.
    """
    ppi = known.surface.ppi
    viewing = known.resolved.request.viewing
    if viewing is None or not is_signed(known):
        return Fraction(ppi.stop), Fraction(ppi.caution)
    warn = Fraction(PPI_INCHES) / viewing.inches
    if known.product is not None:
        warn = min(warn, Fraction(known.product.ppi.target))
    floor = Fraction(LOWEST_BY_DISTANCE)
    return max(warn * Fraction(6, 10), floor), max(warn, floor)


def ways_out(known: Known, layout: Layout, ppi: Fraction) -> tuple[tuple[str, ...], str]:
    """Sizes with pixels enough as ready answers, and what to do next in words."""
    accept = "Or accept it after looking at a test."
    product = known.product
    if product is None or not product.sizes:
        largest = largest_size(layout, ppi)
        if "0" in largest.removesuffix(layout.size.unit).split("x"):
            return (), f"It is too small for any print. Use a picture with more pixels. {accept}"
        return (), f"Choose a smaller size: up to {largest} would do. {accept}"
    fitting = smaller_sizes(known, layout, ppi)
    if fitting:
        return tuple(f"size={size}" for size in fitting), (
            f"Choose a smaller size: {fitting[0]} is the largest of this proportion that the lab "
            f"sells and that has enough. {accept}"
        )
    crop = layout.crop
    other = [
        size
        for sold in product.sizes
        for size in (sold.standing_like(layout.size.orientation),)
        if known.sells(size) and min(crop.width / size.w.inches, crop.height / size.h.inches) >= ppi
    ]
    if not other:
        return (), (
            f"It is too small for any size that {product.name} is sold in. Use a picture with more "
            f"pixels. {accept}"
        )
    largest_sold = max(other, key=lambda size: size.w.mm * size.h.mm)
    words = f"No size of this proportion that the lab sells is small enough. {largest_sold} has"
    if known.resolved.request.fit == "crop":
        return (f"size={largest_sold}",), f"{words} enough. {accept}"
    whole = () if known.surface.edge == "wrap" else ("fit=border",)
    return (f"size={largest_sold}", "fit=crop", *whole), (
        f"{words} enough: choose it together with {' or '.join(('fit=crop', *whole))}. {accept}"
    )


def largest_size(layout: Layout, ppi: Fraction) -> str:
    """The largest size of this proportion at `ppi`, in the unit that was asked, rounded down."""
    share = layout.native_ppi / ppi
    sides = (layout.size.w, layout.size.h)
    tenths = [int(Fraction(side.value) * share * 10) for side in sides]
    return "x".join(shown(Fraction(tenth, 10)) for tenth in tenths) + layout.size.unit


def smaller_sizes(known: Known, layout: Layout, ppi: Fraction) -> tuple[Size, ...]:
    """Up to three sizes of the lab, of the same proportion within 2 %, that have enough pixels."""
    if known.product is None:
        return ()
    fitting = []
    for sold in known.product.sizes:
        size = sold.standing_like(layout.size.orientation)
        off = abs((size.w.mm / size.h.mm) / (layout.size.w.mm / layout.size.h.mm) - 1)
        share = min(layout.size.w.mm / size.w.mm, layout.size.h.mm / size.h.mm)
        enough = layout.native_ppi * share >= ppi
        if off * 100 <= MOST_TRIMMED_PERCENT and enough and known.sells(size):
            fitting.append(size)
    fitting.sort(key=lambda size: -size.w.mm)
    return tuple(fitting[:3])
