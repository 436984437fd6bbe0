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
    MM_PER,
    ZERO,
    Length,
    OneSide,
    Size,
    Unit,
    orientation_of,
    round_half_up,
    shown,
)

REAL_PIXELS_AT_EDGE = ("included", "image")
"""Where bleed or wrap is the picture's own rim."""

SILENT_PERCENT = Fraction(1, 2)
SILENT_MM = 2
"""So much of another proportion is trimmed without a word, on each side (common practice)."""
MOST_TRIMMED_PERCENT = 2
"""So much is trimmed with a caution; beyond it somebody must say how it is to fit (the same)."""


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
    """|(w/h)/(W/H) - 1| of the picture, or of what `crop_at` keeps, against the place it fills."""
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


@dataclass(frozen=True, slots=True)
class _Extras:
    """What lies around the face on each side, as lengths."""

    bleed: Length = ZERO
    wrap: Length = ZERO
    tuck: Length = ZERO

    @property
    def mm(self) -> Fraction:
        return self.bleed.mm + self.wrap.mm + self.tuck.mm

    def px(self, ppi: Fraction) -> tuple[int, int, int]:
        """Each rounded up by itself."""
        return self.bleed.px_up(ppi), self.wrap.px_up(ppi), self.tuck.px_up(ppi)


def document_px(size: Size, extras: tuple[Length, ...], ppi: Fraction | int) -> tuple[int, int]:
    """Pixels of a whole document: trim rounded half up, each extra rounded up on each side."""
    ppi = Fraction(ppi)
    around = 2 * sum(length.px_up(ppi) for length in extras)
    return size.w.px(ppi) + around, size.h.px(ppi) + around


def turned_on_its_side(width: int, height: int, request: Request, surface: Surface) -> Size | None:
    """The written size of a surface with a direction, where the picture stands the other way.

    None wherever the size may follow the picture, where either is square, and where `fit` says
    what to do.
    """
    size = request.size or request.sheet
    if surface.direction == "none" or request.fit != "hold" or not isinstance(size, Size):
        return None
    both = {size.orientation, orientation_of(width, height)}
    return size if both == {"portrait", "landscape"} else None


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
    if _keeps_whole(request) and size is not None and not isinstance(request.size, OneSide):
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
    source = _source(width, height, request)
    measures = measures_of(source.width, source.height, request, surface)
    edge = _edge_of(request, surface, product, measures)
    extras = _extras(request, surface, product, edge)
    covering = extras if edge.mode in REAL_PIXELS_AT_EDGE else _Extras()
    if isinstance(request.size, OneSide) and covering.mm:
        size = _both_sides(request.size, source.width, source.height, covering.mm)
        measures = Measures(size, size, measures.border)
    covered_mm = (measures.size.w.mm + 2 * covering.mm, measures.size.h.mm + 2 * covering.mm)
    ppi = _prepared_ppi(source, measures.size, covering, product)
    whole = ppi is not None or isinstance(request.size, OneSide) or _keeps_whole(request)
    crop = source if whole else _crop(source, covered_mm, request.crop_at)
    native = ppi or _native_ppi(crop, covered_mm)
    keep = product.ppi.lowest <= native <= product.ppi.highest
    ppi = native if keep else Fraction(product.ppi.target)
    bleed_px, wrap_px, tuck_px = extras.px(ppi)
    placed, face, document = _boxes(
        measures, edge, crop, ppi, bleed_px + wrap_px + tuck_px, keep=keep
    )
    _room_for(extras, ppi, edge, face, measures.size)
    margin = min(surface.safe_margin.px_up(ppi), (min(face.width, face.height) - 1) // 2)
    return Layout(
        size=measures.size, sheet=measures.sheet, border=measures.border,
        crop=crop, placed=placed, face=face,
        trim=document.inset(bleed_px + tuck_px), safe=face.inset(margin),
        width=document.width, height=document.height, ppi=ppi, native_ppi=native,
        edge=edge, bleed_px=bleed_px, wrap_px=wrap_px, tuck_px=tuck_px, wrap=extras.wrap,
        aspect_error=abs(
            Fraction(source.width, source.height) / (covered_mm[0] / covered_mm[1]) - 1
        ),
        cut_mm=_cut_mm(source, crop, covered_mm),
    )  # fmt: skip


def _native_ppi(crop: Box, covered_mm: tuple[Fraction, Fraction]) -> Fraction:
    """The lesser resolution of the two axes; a whole number that lies between them, a hair apart.

    A side that was worked out is rounded to hundredths: 3000 × 2000 px at 10 x 6.67 in are 300 ppi.
    """
    across, down = (
        Fraction(side) / (mm / MM_PER["in"])
        for side, mm in zip((crop.width, crop.height), covered_mm, strict=True)
    )
    lower, upper = min(across, down), max(across, down)
    between = Fraction(int(upper))
    return between if upper - lower <= upper / 1000 and between >= lower else lower


def _source(width: int, height: int, request: Request) -> Box:
    """The picture, or the part of it that a box keeps, from the picture's own corner."""
    at = request.crop_at
    if not isinstance(at, CropBox):
        return Box(0, 0, width, height)
    if request.fit != "crop":
        raise Misfit(
            f"crop_at = {at} says what to keep, but fit is {request.fit}; say fit = crop, or leave "
            "crop_at out"
        )
    left, top = round_half_up(Fraction(at.left) * width), round_half_up(Fraction(at.top) * height)
    right = round_half_up(Fraction(at.right) * width)
    bottom = round_half_up(Fraction(at.bottom) * height)
    if right <= left or bottom <= top:
        raise Misfit(f"crop_at = {at} keeps not even one pixel of {width} × {height}")
    return Box(left, top, right - left, bottom - top)


def _keeps_whole(request: Request) -> bool:
    """Whether white paper makes up for the proportion; a border of a given width cannot."""
    return request.fit == "border" and request.border is None


def _prepared_ppi(source: Box, size: Size, covering: _Extras, product: Product) -> Fraction | None:
    """The whole resolution at which the pixels are the size's own, rounded as a document's are.

    Such a file was made for this very size: 2480 × 3508 px are A4 at 300 ppi, though 299.96 and
    300.01 by division. It loses no row, and its resolution is written as it was meant.
    """
    lengths = (covering.bleed, covering.wrap, covering.tuck)
    across = Fraction(source.width) / ((size.w.mm + 2 * covering.mm) / MM_PER["in"])
    for ppi in (product.ppi.target, round_half_up(across), round_half_up(across) - 1):
        is_taken = product.ppi.lowest <= ppi <= product.ppi.highest
        if is_taken and document_px(size, lengths, ppi) == (source.width, source.height):
            return Fraction(ppi)
    return None


def _cut_mm(source: Box, crop: Box, covered_mm: tuple[Fraction, Fraction]) -> Fraction:
    return (
        max(
            Fraction(source.width - crop.width, crop.width) * covered_mm[0],
            Fraction(source.height - crop.height, crop.height) * covered_mm[1],
        )
        / 2
    )


def _room_for(extras: _Extras, ppi: Fraction, edge: EdgeChoice, face: Box, size: Size) -> None:
    """See that the face is wide enough for what lies around it."""
    shortest = min(face.width, face.height)
    bleed_px, wrap_px, tuck_px = extras.px(ppi)
    # What is mirrored comes from the face, tuck and all.
    wanted = bleed_px + wrap_px + tuck_px if edge.mode == "mirror" else wrap_px
    if shortest >= max(wanted, 1):
        return
    if wrap_px:
        raise Misfit(
            f"a wrap of {extras.wrap} and a tuck of {extras.tuck} are more than the face of "
            f"{size} can give"
        )
    raise Misfit(f"a bleed of {extras.bleed} is more than the face of {size} can give")


def _both_sides(
    size: Size | OneSide, width: int, height: int, extra_mm: Fraction = Fraction(0)
) -> Size:
    """Both sides of the face, the missing one from the picture's proportion.

    Where the picture covers the edge too, its proportion is that of the whole document.
    """
    if isinstance(size, Size):
        return size
    aspect = Fraction(width, height)
    given = size.length
    is_width = (size.side == "long") == (aspect >= 1)
    whole_mm = given.mm + 2 * extra_mm
    other_mm = (whole_mm / aspect if is_width else whole_mm * aspect) - 2 * extra_mm
    if other_mm <= 0:
        raise Misfit(f"at {size} nothing is left of the picture for the face")
    other = _hundredths(other_mm / MM_PER[given.unit])
    return (
        Size(given.value, other, given.unit) if is_width else Size(other, given.value, given.unit)
    )


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
    value = mm / MM_PER[unit]
    scaled = value * 10**6
    return Decimal(scaled.numerator).scaleb(-6).normalize() if scaled.denominator == 1 else None


def _border_between(size: Size, sheet: Size) -> Border:
    across, down = sheet.w.mm - size.w.mm, sheet.h.mm - size.h.mm
    if across < 0 or down < 0:
        raise Misfit(f"a picture of {size} does not fit on a sheet of {sheet}")
    side = Length(Decimal(round_half_up(across / 2 * 1000)).scaleb(-3), "mm")
    top = Length(Decimal(round_half_up(down / 2 * 1000)).scaleb(-3), "mm")
    return Border(side, top, side, top)


def _edge_of(
    request: Request, surface: Surface, product: Product, measures: Measures
) -> EdgeChoice:
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
    wished = request.edge is not None and request.edge.mode != "none"
    if bordered:
        if wished:
            raise Misfit("a print with a border has no bleed; leave edge or border out")
        return EdgeChoice("none")
    if not product.bleed.value:
        if wished:
            raise Misfit(
                f"{product.name} has no bleed to fill; leave edge out, or ask the lab how much "
                "bleed it wants and write it into the lab's file"
            )
        return EdgeChoice("none")
    return request.edge or EdgeChoice(surface.edge_mode)


def _extras(request: Request, surface: Surface, product: Product, edge: EdgeChoice) -> _Extras:
    if surface.edge == "wrap":
        wrap = request.wrap or product.wrap
        sold = (product.wrap, *product.wraps)
        if all(wrap.mm != bar.mm for bar in sold):
            raise Misfit(f"{product.name} has bars of {', '.join(map(str, sold))}, not of {wrap}")
        return _Extras(wrap=wrap, tuck=product.tuck)
    if request.wrap is not None:
        raise Misfit(f"{surface.name} is not wrapped round a bar; leave wrap out")
    return _Extras() if edge.mode == "none" else _Extras(bleed=product.bleed)


def _crop(source: Box, covered_mm: tuple[Fraction, Fraction], at: str | CropBox) -> Box:
    ratio = covered_mm[0] / covered_mm[1]
    w, h = source.width, source.height
    if Fraction(w, h) > ratio:
        w = min(w, max(1, round_half_up(h * ratio)))
    else:
        h = min(h, max(1, round_half_up(w / ratio)))
    side = at if isinstance(at, str) and at in CROP_NAMES else "centre"
    x = {"left": 0, "right": source.width - w}.get(side, (source.width - w) // 2)
    y = {"top": 0, "bottom": source.height - h}.get(side, (source.height - h) // 2)
    return Box(source.left + x, source.top + y, w, h)


def _boxes(
    measures: Measures, edge: EdgeChoice, crop: Box, ppi: Fraction, extra: int, *, keep: bool
) -> tuple[Box, Box, Box]:
    """Placed, face and document boxes, all from the document's corner."""
    real_edge = edge.mode in REAL_PIXELS_AT_EDGE
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
