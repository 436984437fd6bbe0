"""Plans the prints of a test: half the size, places at full size, and steps of one adjustment.

What is tested is the final print: its sheets show pixels that it would have, so all of them are
worked out from its layout and its plan. Sizes of sheets and strips are common practice of the
trade.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, replace
from decimal import Decimal
from fractions import Fraction
from typing import Final, Literal, get_args

from platemark.model.adjusting import Adjustment, BadAdjustment, curve_of, parse_adjustment
from platemark.model.geometry import Layout, Misfit, lay_out
from platemark.model.known import Known
from platemark.model.lab import Product
from platemark.model.measures import Measures
from platemark.model.patch_strip import strip_below
from platemark.model.plan import Plan, seeded
from platemark.model.planning import make_plan, planned_strip, slug_words
from platemark.model.request import Border, Request
from platemark.model.surface import Surface
from platemark.model.terms import Box, EdgeChoice
from platemark.model.test_sheet import Found, Label, Part, Place, SheetPlan, Tile
from platemark.model.units import MM_PER, ZERO, Size, Unit, ceil, round_half_up, shown

Step = Literal["lightness", "shadows", "chroma", "a", "b"]
"""The adjustments that a sheet of steps can vary."""
STEPS: Final[tuple[Step, ...]] = get_args(Step)

_STRIP_MM: Final = (Fraction(150), Fraction(50))
_SCALES: Final = (Fraction(1), Fraction(3, 4), Fraction(1, 2), Fraction(1, 3))
"""Of a strip, the first whose sheets are sold no larger than the final print."""
_CROPS, _STEPS = 4, 5
_LETTER_MM, _HEADING_MM = Fraction(2), Fraction(5, 2)
_GAP_MM, _ROW_GAP_MM, _MARGIN_MM = Fraction(3, 2), Fraction(4), Fraction(8)
_SAME_MM: Final = 1
"""A sold size this near to half on both sides is half: half of A3 is A5 but for .5 mm."""

_VARIED: Final[dict[Step, tuple[Fraction, ...]]] = {
    "lightness": tuple(map(Fraction, (-8, -4, 0, 4, 8))),
    "shadows": tuple(map(Fraction, (-6, -3, 0, 3, 6))),
    "chroma": tuple(Fraction(each, 100) for each in (-10, -5, 0, 5, 10)),
    "a": tuple(Fraction(each, 2) for each in (-6, -3, 0, 3, 6)),
    "b": tuple(Fraction(each, 2) for each in (-6, -3, 0, 3, 6)),
}
_AT_L: Final[dict[Step, Fraction]] = {"lightness": Fraction(50), "shadows": Fraction(20)}
_LOW_KEY_L: Final = 30
_CLOSING_PERCENT: Final = 10
"""From such a median or such a share of shadows that close up on, shadows are what is asked."""

_SAID: Final[dict[Found, str]] = {
    "detail": "finest detail",
    "skin": "skin tones",
    "shadow": "deepest shadow",
    "smooth": "smoothest area",
    "sky": "smoothest sky",
    "range": "dark to light",
}
_CROPPED: Final[tuple[tuple[Found, ...], ...]] = (
    ("detail",), ("skin",), ("shadow",), ("sky", "smooth"),
)  # fmt: skip


@dataclass(frozen=True, slots=True)
class TestPrint:
    """One print of a test, decided."""

    __test__ = False

    part: Part
    layout: Layout
    plan: Plan


def is_test(known: Known) -> bool:
    """Whether a picture is to be tested, not printed for good."""
    return known.resolved.request.purpose == "test"


def plan_test(
    known: Known, part: Part, original_sha256: str, spaces: Mapping[str, str]
) -> TestPrint:
    """Decide one print of a test.

    Args:
        known: The picture as its final print would be, with its measures.
        part: Which of the prints.
        original_sha256: Hash of the original.
        spaces: SHA-256 of our own profile of each working space.

    Raises:
        Misfit: no size that is sold will do; the checks have said so.
    """
    if part == "half":
        layout = half_layout(known)
        return TestPrint(part, layout, make_plan(_at(known, layout), original_sha256, spaces))
    asked, (final, bare) = known, _settled(known)
    request = replace(known.resolved.request, strip="none")
    known = replace(known, resolved=replace(known.resolved, request=request))
    plan = make_plan(known, original_sha256, spaces)
    rows = _crop_rows(known, final) if part == "crops" else _step_rows(known, final, plan.adjust)
    layout, sheet = _sheet(known, final, part, rows, plan)
    strip = None
    if part == "crops" and not _holds_strip(half_layout(known)):
        # One of a test is enough, and this is the next that may be wide enough for it.
        strip = planned_strip(asked, layout, plan.output_profile_sha256, original_sha256)
    made = replace(
        plan,
        width_px=layout.width,
        height_px=layout.height + (strip.box.height if strip is not None else 0),
        placed=layout.placed,
        face_box=layout.face,
        trim_box=layout.trim,
        safe_box=layout.safe,
        bleed_px=layout.bleed_px,
        wrap_px=layout.wrap_px,
        tuck_px=layout.tuck_px,
        edge=layout.edge,
        slug=slug_words(bare, str(layout.size), original_sha256),
        test=sheet,
        strip=strip,
    )
    return TestPrint(part, layout, seeded(made))


def why_not_test(known: Known) -> str:
    """Say why a picture cannot be tested as it is asked; empty where it can, or is no test."""
    if not is_test(known) or known.layout is None or known.product is None:
        return ""
    try:
        half_layout(known)
        _scale(known, known.layout)
    except Misfit as misfit:
        return str(misfit)
    varied = known.resolved.request.steps
    if varied in ("chroma", "a", "b") and known.facts.mode == "grey":
        return f"it has no colour, so there are no steps of {varied}"
    return ""


def strip_px(known: Known) -> tuple[int, int]:
    """Width and height of a strip at full size, px; what places are looked for with.

    (0, 0) for a picture that is not tested, or of which no sheet can be made.
    """
    if not is_test(known) or known.layout is None or known.product is None:
        return 0, 0
    try:
        return _strip(known.layout, _scale(known, known.layout))
    except Misfit:
        return 0, 0


# -- half the size -----------------------------------------------------------------------------


def half_layout(known: Known) -> Layout:
    """Where everything lies on the print at half size.

    Exactly half where that is sold, or anything is; else with white around it on the smallest
    smaller sheet that holds it, or on the largest smaller one as large as it goes. Round a bar
    there is no white, so there the smaller size of the nearest proportion is taken.

    Raises:
        Misfit: nothing smaller is sold.
    """
    final, product = _settled(known)
    half, sheet = _halved(final.size), _halved(final.sheet)
    like = [_standing(known, each, final.size) for each in product.sizes]
    sold = next((each for each in like if _near(each, sheet)), None)
    if not product.sizes or sold is not None:
        if final.has_border:
            return _laid(known, half, sold or sheet)
        return _laid(known, sold or half, None)
    smaller = [each for each in like if _area(each) < _area(final.sheet)]
    if known.surface.edge == "wrap":
        return _laid(known, _alike(smaller, half, product), None)
    holding = [each for each in smaller if _holds(each, half.w.mm, half.h.mm)]
    if holding:
        return _laid(known, half, min(holding, key=_area))
    if smaller:
        largest = max(smaller, key=_area)
        return _laid(known, _within(half, largest), largest)
    return _laid(known, half, final.sheet)


def _laid(known: Known, size: Size, sheet: Size | None) -> Layout:
    """The same request at another size, with white around it where a sheet is named."""
    request, facts = known.resolved.request, known.facts
    bordered = sheet is not None and not sheet.same_as(size, either_way=False)
    asked: Request = replace(
        request,
        size=size,
        sheet=sheet if bordered else None,
        border=None,
        fit="crop" if request.fit == "crop" else "hold",
        edge=None if bordered else request.edge,
    )
    product = known.product
    if product is None:
        raise Misfit("there is no product to test")
    # A surface with a direction keeps a size as it is written, and so does a test.
    return lay_out(facts.upright_width, facts.upright_height, asked, known.surface, product)


def _halved(size: Size) -> Size:
    return Size(size.width / 2, size.height / 2, size.unit)


def _within(size: Size, sheet: Size) -> Size:
    """A size made smaller until a sheet holds it."""
    scale = min(sheet.w.mm / size.w.mm, sheet.h.mm / size.h.mm)
    width, height = (
        max(Decimal(int(Fraction(each) * scale * 100)).scaleb(-2), Decimal("0.01"))
        for each in (size.width, size.height)
    )
    return Size(width, height, size.unit)


def _alike(sizes: list[Size], half: Size, product: Product) -> Size:
    if not sizes:
        raise Misfit(f"{product.name} is sold no smaller, so it cannot be tested at half its size")
    ratio = half.w.mm / half.h.mm

    def away(size: Size) -> tuple[Fraction, Fraction]:
        turned = size.w.mm / size.h.mm
        return max(turned / ratio, ratio / turned), abs(_area(size) - _area(half))

    return min(sizes, key=away)


# -- sheets ------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class _Row:
    """A strip of the sheet, and what is said above it."""

    box: Box
    adjust: Adjustment | None
    words: str


def _crop_rows(known: Known, final: Layout) -> list[_Row]:
    size = strip_px(known)
    adjust = known.settled.adjust if known.settled is not None else None
    rows = []
    for wanted in _CROPPED:
        place = _place(known.measures, wanted)
        if place is not None:
            words = f"{_SAID[place.what]} · 100 %, {_where(final, place, size)}"
            rows.append(_Row(_box(place, size), adjust, words))
    if not rows:
        middle = _middle(final, size)
        words = f"middle · 100 %, {_where(final, middle, size)}"
        rows.append(_Row(_box(middle, size), adjust, words))
    return rows


def _step_rows(known: Known, final: Layout, base: Adjustment | None) -> list[_Row]:
    size = strip_px(known)
    step = step_of(known)
    wanted: tuple[tuple[Found, ...], ...] = (("skin",), ("range",), ("detail",))
    if step == "shadows":
        wanted = (("shadow",), ("range",))
    places = (_place(known.measures, each) for each in wanted)
    place = next((each for each in places if each is not None), _middle(final, size))
    height = _step_px(size[1])
    box = Box(place.left, place.top + (size[1] - height) // 2, size[0], height)
    return [
        _Row(box, made, f"{number} · {_typed(made)}{' (as it would be)' if made == base else ''}")
        for number, made in enumerate(steps_of(step, base), 1)
    ]


def step_of(known: Known) -> Step:
    """Which adjustment the steps vary: what is asked, else what the picture's tones suggest."""
    if known.resolved.request.steps is not None:
        return known.resolved.request.steps
    measures = known.measures
    if measures is None:
        return "lightness"
    is_dark = Fraction(measures.lightness_median) < _LOW_KEY_L
    closes = Fraction(measures.shadow_percent) >= _CLOSING_PERCENT
    return "shadows" if is_dark or closes else "lightness"


def steps_of(step: Step, base: Adjustment | None) -> tuple[Adjustment | None, ...]:
    """Five variations of one adjustment around what is settled, the third of them that itself.

    A step that no correction may go to is made smaller until one may.
    """
    return tuple(_varied(step, base, by) for by in _VARIED[step])


def _varied(step: Step, base: Adjustment | None, by: Fraction) -> Adjustment | None:
    for _ in range(6):
        made = _moved(step, base or Adjustment(), by)
        if made.is_nothing:
            return None
        try:
            return parse_adjustment(str(made))
        except BadAdjustment:
            by /= 2
    return base


def _moved(step: Step, base: Adjustment, by: Fraction) -> Adjustment:
    if not by:
        return base
    if step == "chroma":
        return replace(base, chroma=base.chroma + by)
    if step == "a":
        return replace(base, shift_a=base.shift_a + by)
    if step == "b":
        return replace(base, shift_b=base.shift_b + by)
    at = _AT_L[step]
    now = Fraction(round(curve_of(base).at(float(at)) * 10), 10)
    to = now + by
    kept = [(x, y) for x, y in base.lightness if (x < at and y <= to) or (x > at and y >= to)]
    return replace(base, lightness=tuple(sorted([*kept, (at, to)])))


def _typed(adjust: Adjustment | None) -> str:
    """As it is typed after --adjust, so that what is seen can be asked for."""
    return str(adjust) if adjust is not None else "no adjustment"


def _place(measures: Measures | None, wanted: tuple[Found, ...]) -> Place | None:
    places = measures.places if measures is not None else ()
    return next((each for each in places if each.what in wanted), None)


def _middle(final: Layout, size: tuple[int, int]) -> Place:
    left, top, width, height = _front(final)
    return Place("range", left + (width - size[0]) // 2, top + (height - size[1]) // 2)


def _front(final: Layout) -> tuple[int, int, int, int]:
    """The front face within the placed picture."""
    face, placed = final.face, final.placed
    return face.left - placed.left, face.top - placed.top, face.width, face.height


def _box(place: Place, size: tuple[int, int]) -> Box:
    return Box(place.left, place.top, *size)


def _where(final: Layout, place: Place, size: tuple[int, int]) -> str:
    """Where a place lies on the front, so that it is found in the picture."""
    left, top, width, height = _front(final)
    across = Fraction(place.left - left + size[0] // 2, width) * 100
    down = Fraction(place.top - top + size[1] // 2, height) * 100
    return f"{shown(across, 0)} % across, {shown(down, 0)} % down"


def _strip(final: Layout, scale: Fraction) -> tuple[int, int]:
    wide, high = (_px(each * scale, final.ppi) for each in _STRIP_MM)
    return min(wide, final.face.width), min(high, final.face.height)


def _scale(known: Known, final: Layout) -> Fraction:
    """How large strips are: the largest whose sheets cost no more than the final print.

    Raises:
        Misfit: nothing that is sold holds even the smallest.
    """
    found = None
    for scale in _SCALES:
        wide, high = _strip(final, scale)
        sheets = [
            _smallest(known, final, *_needed(known, final, wide, heights))
            for heights in ([high] * _CROPS, [_step_px(high)] * _STEPS)
        ]
        if None in sheets:
            continue
        found = scale
        if all(each is not None and _area(each) <= _area(final.sheet) for each in sheets):
            return scale
    if found is not None:
        return found
    name = known.product.name if known.product is not None else "the product"
    raise Misfit(f"no size in which {name} is sold holds a sheet of test strips")


def _step_px(high: int) -> int:
    """Height of a strip of a sheet of steps, which has one more of them."""
    return max(1, high * 3 // 4)


def _needed(
    known: Known, final: Layout, wide: int, heights: list[int]
) -> tuple[Fraction, Fraction]:
    """What a sheet must measure inside its margins, px."""
    label = _row_label(final.ppi)
    high = _heading(final.ppi) + sum(label + each for each in heights)
    high += _px(_ROW_GAP_MM, final.ppi) * (len(heights) - 1)
    margin = 2 * _margin(known.surface, final.ppi)
    return Fraction(wide + margin), Fraction(high + margin)


def _row_label(ppi: Fraction) -> int:
    return _px(2 * _GAP_MM + _LETTER_MM, ppi)


def _heading(ppi: Fraction) -> int:
    return _px(_HEADING_MM + _ROW_GAP_MM, ppi)


def _margin(surface: Surface, ppi: Fraction) -> int:
    return max(surface.safe_margin.px_up(ppi), _px(_MARGIN_MM, ppi))


def _smallest(known: Known, final: Layout, wide: Fraction, high: Fraction) -> Size | None:
    """The smallest size that is sold and holds so many pixels; None where none does."""
    product = known.product
    mm = MM_PER["in"] / final.ppi
    if product is None:
        return None
    if not product.sizes:
        unit: Unit = "in" if final.size.unit == "in" else "cm"
        across, down = (Decimal(ceil(each * mm / MM_PER[unit])) for each in (wide, high))
        made = Size(across, down, unit)
        longest = product.max_side.mm if product.max_side is not None else None
        too_long = longest is not None and max(made.w.mm, made.h.mm) > longest
        return None if too_long else made
    fitting = [each for each in _sold(known) if _holds(each, wide * mm, high * mm)]
    return min(fitting, key=_area, default=None)


def _sheet(
    known: Known, final: Layout, part: Literal["crops", "steps"], rows: list[_Row], plan: Plan
) -> tuple[Layout, SheetPlan]:
    ppi = final.ppi
    wide = max(row.box.width for row in rows)
    needs = _needed(known, final, wide, [row.box.height for row in rows])
    size = _smallest(known, final, *needs)
    if size is None:
        raise Misfit("no size that is sold holds a sheet of test strips")
    layout = _sheet_layout(known, final, size)
    margin = _margin(known.surface, ppi)
    room = layout.face.width - 2 * margin
    left = (layout.face.width - wide) // 2
    letter = max(7, _px(_LETTER_MM, ppi))
    heading = (
        f"{_HEADINGS[part]} · {final.size} · {known.surface.id} · {shown(ppi, 1)} ppi · "
        f"{plan.original_sha256[:8]}"
    )
    labels = [Label(heading, left, margin, max(7, _px(_HEADING_MM, ppi)), room)]
    tiles, top = [], margin + _heading(ppi)
    for row in rows:
        labels.append(Label(row.words, left, top + _px(_GAP_MM / 3, ppi), letter, room))
        top += _row_label(ppi)
        tiles.append(Tile(row.box, left, top, row.adjust))
        top += row.box.height + _px(_ROW_GAP_MM, ppi)
    placed = final.placed
    return layout, SheetPlan(part, placed.width, placed.height, tuple(tiles), tuple(labels))


_HEADINGS: Final = {"crops": "Test: crops", "steps": "Test: steps"}


def _sheet_layout(known: Known, final: Layout, size: Size) -> Layout:
    """A sheet is white to its rim and beyond: no picture is needed for bleed or wrap."""
    product, surface, ppi = known.product, known.surface, final.ppi
    if product is None:
        raise Misfit("there is no product to test")
    wraps = surface.edge == "wrap"
    wrap = final.wrap if wraps else ZERO
    tuck_px = product.tuck.px_up(ppi) if wraps else 0
    bleed_px = 0 if wraps else product.bleed.px_up(ppi)
    extra = wrap.px_up(ppi) + tuck_px + bleed_px
    face = Box(extra, extra, size.w.px(ppi), size.h.px(ppi))
    document = Box(0, 0, face.width + 2 * extra, face.height + 2 * extra)
    margin = min(surface.safe_margin.px_up(ppi), (min(face.width, face.height) - 1) // 2)
    return replace(
        final,
        size=size,
        sheet=size,
        border=Border.even(ZERO),
        placed=face,
        face=face,
        trim=document.inset(bleed_px + tuck_px),
        safe=face.inset(margin),
        width=document.width,
        height=document.height,
        edge=EdgeChoice("solid", "#ffffff") if extra else EdgeChoice("none"),
        bleed_px=bleed_px,
        wrap_px=wrap.px_up(ppi),
        tuck_px=tuck_px,
        wrap=wrap,
    )


# -- sizes -------------------------------------------------------------------------------------


def _settled(known: Known) -> tuple[Layout, Product]:
    if known.layout is None or known.product is None:
        raise ValueError(f"{known.name} cannot be tested while a stop is open")
    return known.layout, known.product


def _holds_strip(layout: Layout) -> bool:
    return strip_below(layout.width, layout.height, layout.ppi) is not None


def _at(known: Known, layout: Layout) -> Known:
    return replace(known, layout=layout)


def _sold(known: Known) -> Iterator[Size]:
    """Sizes that are sold, each way round where the surface has no direction."""
    product = known.product
    for size in product.sizes if product is not None else ():
        yield size
        if known.surface.direction == "none" and size.w.mm != size.h.mm:
            yield size.turned()


def _standing(known: Known, size: Size, like: Size) -> Size:
    """A sold size as it stands under the picture; one with a direction stays as it is written."""
    return size if known.surface.direction != "none" else size.standing_like(like.orientation)


def _near(one: Size, other: Size) -> bool:
    return abs(one.w.mm - other.w.mm) <= _SAME_MM and abs(one.h.mm - other.h.mm) <= _SAME_MM


def _holds(sheet: Size, wide_mm: Fraction, high_mm: Fraction) -> bool:
    return sheet.w.mm >= wide_mm and sheet.h.mm >= high_mm


def _area(size: Size) -> Fraction:
    return size.w.mm * size.h.mm


def _px(mm: Fraction, ppi: Fraction) -> int:
    return round_half_up(mm / MM_PER["in"] * ppi)
