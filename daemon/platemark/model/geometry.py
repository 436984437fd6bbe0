"""Where everything lies: crop, face, bleed, wrap, tuck, border, sheet, in exact pixels.

Rules (common practice of the trade): a trim size is rounded half up; bleed, wrap and tuck are
rounded up on each side; a document is its trim plus twice the extras.
"""

from __future__ import annotations

from dataclasses import dataclass
from decimal import Decimal
from fractions import Fraction

from platemark.model.lab import Product
from platemark.model.request import CROP_NAMES, Border, CropBox, Request
from platemark.model.surface import Surface
from platemark.model.terms import Box, EdgeChoice
from platemark.model.units import (
    ZERO,
    Length,
    OneSide,
    Size,
    Unit,
    orientation_of,
    round_half_up,
    shown,
)

_REAL_PIXELS_AT_EDGE = ("included", "image")


class Misfit(ValueError):
    """A request whose measures contradict each other or the product; the message says how."""


@dataclass(frozen=True, slots=True)
class Layout:
    """The whole geometry of one print; every box is in document pixels but `crop`."""

    size: Size
    """The picture on the front face, standing as it will be printed."""
    sheet: Size
    """The trimmed paper."""
    border: Border
    crop: Box
    """What is taken of the upright picture, in its pixels."""
    placed: Box
    """Where real picture pixels lie."""
    face: Box
    """The front face."""
    trim: Box
    """Where the sheet is cut, or the bar's outer edge for a wrap."""
    safe: Box
    """Keep signatures and faces inside."""
    width: int
    height: int
    ppi: Fraction
    native_ppi: Fraction
    """Resolution of the cropped picture at the ordered size, before any resampling."""
    edge: EdgeChoice
    bleed_px: int
    wrap_px: int
    tuck_px: int
    wrap: Length
    aspect_error: Fraction
    """|(w/h)/(W/H) - 1| of the whole picture against the place it must fill."""
    cut_mm: Fraction
    """What the crop takes off each of two sides, on the print."""

    @property
    def factor(self) -> Fraction:
        """Linear scale from crop to placed pixels; 1 where nothing is resampled."""
        if (self.placed.width, self.placed.height) == (self.crop.width, self.crop.height):
            return Fraction(1)
        return max(
            Fraction(self.placed.width, self.crop.width),
            Fraction(self.placed.height, self.crop.height),
        )

    @property
    def has_border(self) -> bool:
        """Whether there is white paper around the picture."""
        return self.border.across_mm + self.border.down_mm > 0


@dataclass(frozen=True, slots=True)
class Measures:
    """Size, sheet and border that agree with each other."""

    size: Size
    sheet: Size
    border: Border


def aspect_error(width: int, height: int, size: Size) -> Fraction:
    """How far a picture's proportion is from a size's: |(w/h)/(W/H) - 1|, exact."""
    ratio = Fraction(width, height) / (size.w.mm / size.h.mm)
    return abs(ratio - 1)


def measures_of(width: int, height: int, request: Request, surface: Surface) -> Measures:
    """Find size, sheet and border from any two of them, standing like the picture.

    Args:
        width: Width of the upright picture, px.
        height: Its height, px.
        request: What is asked; its size or its sheet must be given.
        surface: A surface with a direction keeps the size as it is written.

    Raises:
        Misfit: they contradict each other, or no room is left for the picture.
    """
    standing = orientation_of(width, height)

    def stand(size: Size) -> Size:
        return size if surface.direction != "none" else size.standing_like(standing)

    size = _both_sides(request.size, width, height) if request.size else None
    size = stand(size) if size and not isinstance(request.size, OneSide) else size
    sheet = stand(request.sheet) if request.sheet else None
    border = request.border
    if request.fit == "border" and border is None and size is not None:
        sheet = sheet or size
        size = _whole_inside(width, height, sheet)
    if size and sheet and border:
        summed = (size.w.mm + border.across_mm, size.h.mm + border.down_mm)
        if summed != (sheet.w.mm, sheet.h.mm):
            raise Misfit(
                f"size {size}, border {border} and sheet {sheet} do not agree; "
                "leave one of the three out"
            )
        return Measures(size, sheet, border)
    if size and border:
        return Measures(size, _grown(size, border, 1), border)
    if sheet and border:
        return Measures(_grown(sheet, border, -1), sheet, border)
    if size and sheet:
        return Measures(size, sheet, _border_between(size, sheet))
    only = size or sheet
    if only is None:
        raise Misfit("no size is given")
    return Measures(only, only, Border.even(ZERO))


def lay_out(
    width: int, height: int, request: Request, surface: Surface, product: Product
) -> Layout:
    """Work out the whole geometry.

    A picture of another proportion is laid out as if cropped; whether that is allowed is for the
    checks to say, from `aspect_error` and `cut_mm`.

    Args:
        width: Width of the upright picture, px.
        height: Its height, px.
        request: What is asked.
        surface: What it is printed on.
        product: What the lab offers there.

    Raises:
        Misfit: the measures contradict each other or the product.
    """
    measures = measures_of(width, height, request, surface)
    edge = _edge_of(request, surface, measures)
    bleed, wrap, tuck = _extras(request, surface, product, measures, edge)
    covered_mm = (measures.size.w.mm, measures.size.h.mm)
    extra_mm = bleed.mm + wrap.mm + tuck.mm
    if edge.mode in _REAL_PIXELS_AT_EDGE:
        covered_mm = (covered_mm[0] + 2 * extra_mm, covered_mm[1] + 2 * extra_mm)
    crop = _crop(width, height, covered_mm, request.crop_at)
    native = min(
        Fraction(crop.width) / (covered_mm[0] / Fraction(254, 10)),
        Fraction(crop.height) / (covered_mm[1] / Fraction(254, 10)),
    )
    keep = product.ppi.lowest <= native <= product.ppi.highest
    ppi = native if keep else Fraction(product.ppi.target)
    bleed_px, wrap_px, tuck_px = bleed.px_up(ppi), wrap.px_up(ppi), tuck.px_up(ppi)
    boxes = _boxes(measures, edge, crop, ppi, bleed_px + wrap_px + tuck_px, keep=keep)
    placed, face, document = boxes
    if wrap_px and min(face.width, face.height) < wrap_px + tuck_px:
        raise Misfit(
            f"a wrap of {wrap} and a tuck of {tuck} are more than the face of "
            f"{measures.size} can give"
        )
    ratio_w, ratio_h = covered_mm
    ratio = Fraction(width, height) / (ratio_w / ratio_h)
    cut = (
        max(
            Fraction(width - crop.width, crop.width) * ratio_w,
            Fraction(height - crop.height, crop.height) * ratio_h,
        )
        / 2
    )
    margin = min(surface.safe_margin.px_up(ppi), (min(face.width, face.height) - 1) // 2)
    return Layout(
        size=measures.size, sheet=measures.sheet, border=measures.border,
        crop=crop, placed=placed, face=face,
        trim=document.inset(bleed_px + tuck_px), safe=face.inset(margin),
        width=document.width, height=document.height, ppi=ppi, native_ppi=native,
        edge=edge, bleed_px=bleed_px, wrap_px=wrap_px, tuck_px=tuck_px, wrap=wrap,
        aspect_error=abs(ratio - 1), cut_mm=cut,
    )  # fmt: skip


def _both_sides(size: Size | OneSide, width: int, height: int) -> Size:
    if isinstance(size, Size):
        return size
    aspect = Fraction(width, height)
    wide = aspect >= 1
    given = size.length
    if (size.side == "long") == wide:
        other = _hundredths(Fraction(given.value) / aspect)
        return Size(given.value, other, given.unit)
    return Size(_hundredths(Fraction(given.value) * aspect), given.value, given.unit)


def _hundredths(value: Fraction) -> Decimal:
    return Decimal(max(round_half_up(value * 100), 1)).scaleb(-2)


def _whole_inside(width: int, height: int, sheet: Size) -> Size:
    aspect = Fraction(width, height)
    if aspect >= sheet.w.mm / sheet.h.mm:
        return Size(sheet.width, _hundredths(Fraction(sheet.width) / aspect), sheet.unit)
    return Size(_hundredths(Fraction(sheet.height) * aspect), sheet.height, sheet.unit)


def _grown(size: Size, border: Border, sign: int) -> Size:
    width = size.w.mm + sign * border.across_mm
    height = size.h.mm + sign * border.down_mm
    if width <= 0 or height <= 0:
        raise Misfit(f"a border of {border} leaves no room for a picture on {size}")
    unit: Unit = size.unit
    both = tuple(_exact(value, unit) for value in (width, height))
    if None in both:
        unit = "mm"
        both = tuple(_exact(value, unit) for value in (width, height))
    if both[0] is None or both[1] is None:
        raise Misfit(f"size {size} and border {border} give no exact measure; write both in mm")
    return Size(both[0], both[1], unit)


def _exact(mm: Fraction, unit: Unit) -> Decimal | None:
    value = mm / {"in": Fraction(254, 10), "cm": Fraction(10), "mm": Fraction(1)}[unit]
    scaled = value * 10**6
    return Decimal(scaled.numerator).scaleb(-6).normalize() if scaled.denominator == 1 else None


def _border_between(size: Size, sheet: Size) -> Border:
    across, down = sheet.w.mm - size.w.mm, sheet.h.mm - size.h.mm
    if across < 0 or down < 0:
        raise Misfit(f"a picture of {size} does not fit on a sheet of {sheet}")
    side = Length(Decimal(round_half_up(across / 2 * 1000)).scaleb(-3), "mm")
    top = Length(Decimal(round_half_up(down / 2 * 1000)).scaleb(-3), "mm")
    return Border(side, top, side, top)


def _edge_of(request: Request, surface: Surface, measures: Measures) -> EdgeChoice:
    bordered = measures.size != measures.sheet
    if surface.edge == "wrap":
        if bordered:
            raise Misfit(
                f"{surface.name} is wrapped round a bar, so it has no border; leave border and "
                "sheet out"
            )
        chosen = request.edge or EdgeChoice(surface.edge_mode)
        if chosen.mode == "none":
            raise Misfit(
                f"{surface.name} is wrapped round a bar and needs picture or colour there; say "
                "edge = mirror, extend, image or solid #rrggbb"
            )
        return chosen
    if bordered:
        if request.edge is not None and request.edge.mode != "none":
            raise Misfit("a print with a border has no bleed; leave edge or border out")
        return EdgeChoice("none")
    return request.edge or EdgeChoice(surface.edge_mode)


def _extras(
    request: Request, surface: Surface, product: Product, measures: Measures, edge: EdgeChoice
) -> tuple[Length, Length, Length]:
    if surface.edge == "wrap":
        wrap = request.wrap or product.wrap
        sold = (product.wrap, *product.wraps)
        if all(wrap.mm != bar.mm for bar in sold):
            raise Misfit(f"{product.name} has bars of {', '.join(map(str, sold))}, not of {wrap}")
        return ZERO, wrap, product.tuck
    if request.wrap is not None:
        raise Misfit(f"{surface.name} is not wrapped round a bar; leave wrap out")
    if edge.mode == "none" or measures.size != measures.sheet:
        return ZERO, ZERO, ZERO
    return product.bleed, ZERO, ZERO


def _crop(width: int, height: int, covered_mm: tuple[Fraction, Fraction], at: str | CropBox) -> Box:
    left, top, whole_w, whole_h = 0, 0, width, height
    if isinstance(at, CropBox):
        left, top = (
            round_half_up(Fraction(at.left) * width),
            round_half_up(Fraction(at.top) * height),
        )
        whole_w = round_half_up(Fraction(at.right) * width) - left
        whole_h = round_half_up(Fraction(at.bottom) * height) - top
    ratio = covered_mm[0] / covered_mm[1]
    if Fraction(whole_w, whole_h) > ratio:
        w, h = min(whole_w, max(1, round_half_up(whole_h * ratio))), whole_h
    else:
        w, h = whole_w, min(whole_h, max(1, round_half_up(whole_w / ratio)))
    side = at if isinstance(at, str) and at in CROP_NAMES else "centre"
    x = {"left": 0, "right": whole_w - w}.get(side, (whole_w - w) // 2)
    y = {"top": 0, "bottom": whole_h - h}.get(side, (whole_h - h) // 2)
    return Box(left + x, top + y, w, h)


def _boxes(
    measures: Measures, edge: EdgeChoice, crop: Box, ppi: Fraction, extra: int, *, keep: bool
) -> tuple[Box, Box, Box]:
    """Placed, face and document boxes, all from the document's corner."""
    real_edge = edge.mode in _REAL_PIXELS_AT_EDGE
    if keep and real_edge:
        document = Box(0, 0, crop.width, crop.height)
        return document, document.inset(extra), document
    face_w = crop.width if keep else measures.size.w.px(ppi)
    face_h = crop.height if keep else measures.size.h.px(ppi)
    border = measures.border
    left, top = border.left.px(ppi), border.top.px(ppi)
    sheet_w = max(face_w + left, round_half_up(measures.sheet.w.inches * ppi))
    sheet_h = max(face_h + top, round_half_up(measures.sheet.h.inches * ppi))
    if measures.size == measures.sheet:
        sheet_w, sheet_h, left, top = face_w, face_h, 0, 0
    document = Box(0, 0, sheet_w + 2 * extra, sheet_h + 2 * extra)
    face = Box(left + extra, top + extra, face_w, face_h)
    return (document if real_edge else face), face, document


def describe_ppi(ppi: Fraction) -> str:
    """A resolution for people."""
    return f"{shown(ppi)} ppi"
