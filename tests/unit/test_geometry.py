from dataclasses import replace
from fractions import Fraction

import pytest
from given import ANY_PPI, CANVAS, FIXED_300, LUSTRE, PAPER, asked, canvas_product, product
from hypothesis import given
from hypothesis import strategies as st

from platemark.model.geometry import Layout, Misfit, aspect_error, lay_out
from platemark.model.lab import PpiRange
from platemark.model.terms import Box
from platemark.model.units import Length, parse_full_size


def canvas(width: int, height: int, size: str, wrap: str, tuck: str, ppi: int) -> Layout:
    return lay_out(
        width,
        height,
        asked(size=size, wrap=wrap).request,
        CANVAS,
        canvas_product(
            ppi=PpiRange(ppi, ppi, ppi), wrap=Length.parse(wrap), tuck=Length.parse(tuck)
        ),
    )


@pytest.mark.parametrize(
    ("size", "wrap", "tuck", "ppi", "document", "face"),
    [
        # Common practice: canvas document = face + 2 × (wrap + tuck).
        ("16x20in", "1.5in", "0.5in", 300, (6000, 7200), Box(600, 600, 4800, 6000)),
        ("16x20in", "0.75in", "0.5in", 300, (5550, 6750), Box(375, 375, 4800, 6000)),
        ("16x20in", "2in", "0.5in", 300, (6300, 7500), Box(750, 750, 4800, 6000)),
        ("24x36in", "1.5in", "0.5in", 200, (5600, 8000), Box(400, 400, 4800, 7200)),
        ("30x40in", "1.5in", "0.75in", 200, (6900, 8900), Box(450, 450, 6000, 8000)),
    ],
)
def test_canvas_documents(
    size: str, wrap: str, tuck: str, ppi: int, document: tuple[int, int], face: Box
) -> None:
    """A canvas document is its face plus twice wrap and tuck."""
    layout = canvas(face.width, face.height, size, wrap, tuck, ppi)
    assert (layout.width, layout.height) == document
    assert layout.face == face == layout.placed
    assert layout.trim == Box(
        layout.tuck_px,
        layout.tuck_px,
        document[0] - 2 * layout.tuck_px,
        document[1] - 2 * layout.tuck_px,
    )


def test_bleed_on_a4() -> None:
    """A4 with 3 mm bleed at 300 ppi is 2552 × 3580 px: 36 px on each side (common practice)."""
    layout = lay_out(2480, 3508, asked(size="A4").request, LUSTRE, product(ppi=FIXED_300))
    assert (layout.width, layout.height, layout.bleed_px) == (2552, 3580, 36)
    assert layout.face == layout.trim == Box(36, 36, 2480, 3508)


def test_enlargement_of_six_by_four_thousand() -> None:
    """6000 × 4000 px at 36 × 24 in have 166.67 ppi; 300 ppi need a factor of 1.80."""
    layout = lay_out(6000, 4000, asked(size="36x24in").request, PAPER, product(ppi=FIXED_300))
    assert layout.native_ppi == Fraction(500, 3)
    assert layout.factor == Fraction(9, 5)
    assert (layout.width, layout.height) == (10800, 7200)


def test_three_to_two_cropped_to_five_to_four() -> None:
    """6000 × 4000 px for 20 × 16 in keep 5000 × 4000 px at 250 ppi."""
    layout = lay_out(6000, 4000, asked(size="20x16in").request, PAPER, product(ppi=ANY_PPI))
    assert layout.crop == Box(500, 0, 5000, 4000)
    assert layout.native_ppi == 250
    assert layout.aspect_error == Fraction(1, 5)


def test_three_to_two_on_a_series() -> None:
    """3:2 is 6.066 % off the A series' ideal of √2 (ISO 216), and near that on A0's whole mm."""
    ideal = abs(1.5 / 2**0.5 - 1)
    assert ideal == pytest.approx(0.06066, abs=1e-5)
    off = aspect_error(3000, 2000, parse_full_size("A0").turned())
    assert float(off) == pytest.approx(ideal, abs=5e-4)


def test_inside_the_labs_range_nothing_is_resampled() -> None:
    """A picture between the lab's lowest and highest ppi keeps every pixel."""
    layout = lay_out(
        4000, 5000, asked(size="16x20in").request, PAPER, product(ppi=PpiRange(180, 300, 360))
    )
    assert layout.factor == 1
    assert (layout.width, layout.height, layout.ppi) == (4000, 5000, 250)


@pytest.mark.parametrize(("width", "height"), [(2400, 3000), (8000, 10000)])
def test_outside_the_labs_range_it_is_brought_to_target(width: int, height: int) -> None:
    """Too few or too many pixels are resampled to the lab's target."""
    layout = lay_out(
        width, height, asked(size="16x20in").request, PAPER, product(ppi=PpiRange(180, 300, 360))
    )
    assert (layout.width, layout.height, layout.ppi) == (4800, 6000, 300)


def test_any_two_of_size_sheet_and_border_give_the_third() -> None:
    """Size and border give the sheet, sheet and border the size, size and sheet the border."""
    for values in (
        {"size": "12x16in", "border": "2in"},
        {"sheet": "16x20in", "border": "2in"},
        {"size": "12x16in", "sheet": "16x20in"},
    ):
        layout = lay_out(3600, 4800, asked(**values).request, PAPER, product(ppi=FIXED_300))
        assert layout.size.same_as(parse_full_size("12x16in"), either_way=False)
        assert layout.sheet.same_as(parse_full_size("16x20in"), either_way=False)
        assert layout.face == Box(600, 600, 3600, 4800)
        assert (layout.width, layout.height) == (4800, 6000)
        assert layout.bleed_px == 0


def test_three_measures_that_disagree_are_refused() -> None:
    """Size, border and sheet that contradict each other cannot be laid out."""
    request = asked(size="12x16in", border="2in", sheet="16x21in").request
    with pytest.raises(Misfit, match="do not agree"):
        lay_out(3600, 4800, request, PAPER, product())


def test_fit_border_keeps_the_whole_picture() -> None:
    """With fit = border the picture is whole on a sheet of the asked size."""
    request = asked(size="16x20in", fit="border").request
    layout = lay_out(4000, 4000, request, PAPER, product(ppi=FIXED_300))
    assert layout.crop == Box(0, 0, 4000, 4000)
    assert (layout.width, layout.height) == (4800, 6000)
    assert layout.face == Box(0, 600, 4800, 4800)


@pytest.mark.parametrize(
    ("at", "left"), [("centre", 500), ("left", 0), ("right", 1000), ("top", 500)]
)
def test_where_a_crop_is_taken(at: str, left: int) -> None:
    """crop_at says from where the crop keeps."""
    request = asked(size="20x16in", fit="crop", crop_at=at).request
    assert lay_out(6000, 4000, request, PAPER, product()).crop == Box(left, 0, 5000, 4000)


def test_a_surface_with_a_direction_turns_nothing() -> None:
    """On a brushed surface the size stays as it is written."""
    brushed = replace(PAPER, direction="along-width")
    layout = lay_out(5000, 4000, asked(size="16x20in").request, brushed, product())
    assert str(layout.size) == "16x20in"
    turned = lay_out(5000, 4000, asked(size="16x20in").request, PAPER, product())
    assert str(turned.size) == "20x16in"


def test_one_sided_sizes_follow_the_picture() -> None:
    """A long side of 60 cm gives 3:2 a short side of 40 cm, whichever way it stands."""
    for width, height, expected in ((6000, 4000, "60x40cm"), (4000, 6000, "40x60cm")):
        layout = lay_out(width, height, asked(size="long 60cm").request, PAPER, product())
        assert str(layout.size) == expected
        assert layout.aspect_error == 0


def test_included_edges_use_the_pictures_own_rim() -> None:
    """With edge = included the picture covers bleed and face, and the face lies inside."""
    request = asked(size="A4", edge="included").request
    layout = lay_out(2552, 3580, request, LUSTRE, product(ppi=FIXED_300))
    assert layout.placed == Box(0, 0, 2552, 3580)
    assert layout.face == Box(36, 36, 2480, 3508)


def test_a_wrap_that_is_not_sold_is_refused() -> None:
    """A wrap must be one of the lab's bars."""
    with pytest.raises(Misfit, match=r"1\.5in"):
        lay_out(4800, 6000, asked(size="16x20in", wrap="3in").request, CANVAS, canvas_product())


def test_a_wrap_needs_a_face_that_can_give_it() -> None:
    """A face smaller than wrap and tuck cannot be mirrored round the bar."""
    with pytest.raises(Misfit, match="can give"):
        lay_out(300, 300, asked(size="1x1in").request, CANVAS, canvas_product())


@given(
    width=st.integers(1, 20000),
    height=st.integers(1, 20000),
    size=st.sampled_from(["16x20in", "A3", "40x60cm", "long 60cm", "8x8in"]),
    lowest=st.integers(50, 300),
)
def test_boxes_always_lie_inside_each_other(
    width: int, height: int, size: str, lowest: int
) -> None:
    """Whatever the picture: the crop is of the picture, face and trim are of the document."""
    lab = product(ppi=PpiRange(lowest, max(lowest, 300), max(lowest, 400)))
    try:
        layout = lay_out(width, height, asked(size=size).request, LUSTRE, lab)
    except Misfit:
        # A bleed of 3 mm cannot be mirrored from a face that is narrower.
        assert size == "long 60cm"
        assert 600 * min(width, height) < 4 * max(width, height)
        return
    crop, face, trim = layout.crop, layout.face, layout.trim
    assert crop.left >= 0
    assert crop.left + crop.width <= width
    assert crop.top >= 0
    assert crop.top + crop.height <= height
    assert min(crop.width, crop.height, face.width, face.height) >= 1
    assert face.left + face.width <= layout.width
    assert face.top + face.height <= layout.height
    assert (trim.left, trim.top) <= (face.left, face.top)
    assert layout.native_ppi > 0


BRUSHED = replace(LUSTRE, direction="along-width")


@pytest.mark.parametrize(
    ("pixels", "size", "ppi"),
    [
        # ISO 216 sizes have no whole pixels: 210 mm at 300 ppi are 2480.3, 297 mm are 3507.9.
        ((2480, 3508), "A4", 300),
        ((2976, 4209), "A4", 360),
        ((4961, 7016), "A2", 300),
        ((3508, 4961), "A3", 300),
    ],
)
def test_a_prepared_file_loses_no_row(pixels: tuple[int, int], size: str, ppi: int) -> None:
    """Pixels that are a size's own, rounded, are kept to the last and at the whole resolution."""
    lab = product(ppi=PpiRange(180, 300, 360))
    layout = lay_out(*pixels, asked(size=size).request, PAPER, lab)
    assert layout.crop == layout.face == Box(0, 0, *pixels)
    assert (layout.ppi, layout.factor) == (ppi, 1)
    with_edge = lay_out(*pixels, asked(size=size).request, LUSTRE, lab)
    bleed = Length.parse("3mm").px_up(Fraction(ppi))
    assert with_edge.face == Box(bleed, bleed, *pixels)
    assert with_edge.width == pixels[0] + 2 * bleed


@pytest.mark.parametrize(
    ("mode", "wrap", "pixels", "document"),
    [
        ("included", None, (2552, 3580), "A4"),
        ("image", "1.5in", (6000, 7200), "16x20in"),
        ("included", "0.75in", (5550, 6750), "16x20in"),
    ],
)
def test_a_prepared_document_is_kept_as_it_is(
    mode: str, wrap: str | None, pixels: tuple[int, int], document: str
) -> None:
    """A file made to the document's pixels, bleed or wrap in it, is used to the pixel at 300."""
    values = {"size": document, "edge": mode} | ({"wrap": wrap} if wrap else {})
    surface = CANVAS if wrap else LUSTRE
    lab = (canvas_product if wrap else product)(ppi=PpiRange(150, 300, 360))
    layout = lay_out(*pixels, asked(**values).request, surface, lab)
    assert layout.crop == layout.placed == Box(0, 0, *pixels)
    assert layout.ppi == 300
    size = parse_full_size(document)
    assert (layout.face.width, layout.face.height) == (size.w.px(layout.ppi), size.h.px(layout.ppi))


def test_an_image_wrap_takes_a_third() -> None:
    """6000 × 7200 px leave 4800 × 6000 on the face: 66.7 %, and 5:6 becomes 4:5 (trade rule)."""
    layout = canvas(6000, 7200, "16x20in", "1.5in", "0.5in", 300)
    assert layout.edge.mode == "mirror"
    request = asked(size="16x20in", edge="image").request
    layout = lay_out(6000, 7200, request, CANVAS, canvas_product())
    assert layout.face == Box(600, 600, 4800, 6000)
    share = Fraction(layout.face.width * layout.face.height, 6000 * 7200)
    assert float(share) == pytest.approx(0.667, abs=5e-4)


def test_one_sided_sizes_count_what_goes_round_the_bar() -> None:
    """Where the picture covers the wrap, its proportion is the document's, not the face's."""
    request = asked(size="long 20in", edge="image").request
    layout = lay_out(6000, 7200, request, CANVAS, canvas_product())
    # 20 in and 2 × 2 in are 24 in; 5:6 of that are 20 in, of which 16 are face.
    assert str(layout.size) == "16x20in"
    assert layout.aspect_error == 0
    with pytest.raises(Misfit, match="nothing is left"):
        lay_out(600, 7200, asked(size="long 20in", edge="image").request, CANVAS, canvas_product())


def test_a_box_is_cropped_to_only_where_it_is_asked() -> None:
    """crop_at with a box needs fit = crop; the size then follows what the box keeps."""
    box = "0.5 0 1 1"
    with pytest.raises(Misfit, match="say fit = crop"):
        lay_out(6000, 4000, asked(size="16x20in", crop_at=box).request, PAPER, product())
    kept = asked(size="long 40cm", fit="crop", crop_at=box).request
    layout = lay_out(6000, 4000, kept, PAPER, product())
    assert str(layout.size) == "30x40cm"
    assert layout.crop == Box(3000, 0, 3000, 4000)


def test_whole_means_whole() -> None:
    """A border that fits and one-sided sizes keep every pixel, though their sides are rounded."""
    for values in ({"size": "16x20in", "fit": "border"}, {"size": "long 40cm"}):
        layout = lay_out(4000, 3001, asked(**values).request, PAPER, product())
        assert layout.crop == Box(0, 0, 4000, 3001)
        assert layout.factor == 1


def test_four_borders_lie_where_they_are_asked() -> None:
    """Left, top, right and bottom, each by itself."""
    request = asked(size="12x16in", border="1in 2in 3in 4in").request
    layout = lay_out(3600, 4800, request, PAPER, product(ppi=FIXED_300))
    assert (layout.width, layout.height) == (3600 + 1200, 4800 + 1800)
    assert layout.face == Box(300, 600, 3600, 4800)


def test_a_product_without_bleed_adds_none_and_says_so() -> None:
    """Nothing is filled where there is nothing; an edge that was asked for is not passed over."""
    bare = product(bleed=Length.parse("0mm"))
    layout = lay_out(4800, 6000, asked(size="16x20in").request, LUSTRE, bare)
    assert (layout.edge.mode, layout.bleed_px, layout.width) == ("none", 0, 4800)
    with pytest.raises(Misfit, match="has no bleed"):
        lay_out(4800, 6000, asked(size="16x20in", edge="mirror").request, LUSTRE, bare)


@pytest.mark.parametrize("size", ["12x4in", "long 12in", "short 4in"])
def test_panoramas_stand_and_lie(size: str) -> None:
    """3:1 either way is a size like any other."""
    for width, height in ((6000, 2000), (2000, 6000)):
        layout = lay_out(width, height, asked(size=size).request, BRUSHED, product())
        lies = size != "12x4in" or width > height
        assert (layout.aspect_error == 0) is lies
        plain = lay_out(width, height, asked(size=size).request, LUSTRE, product())
        assert plain.aspect_error == 0
        assert plain.size.orientation == ("landscape" if width > height else "portrait")


@given(
    extra=st.sampled_from(["0.75in", "1.5in", "2in"]),
    ppi=st.integers(72, 720),
    width=st.integers(30, 200),
    height=st.integers(30, 200),
    mode=st.sampled_from(["mirror", "extend", "solid #000000", "image", "included"]),
)
def test_document_is_trim_and_twice_the_extras(
    extra: str, ppi: int, width: int, height: int, mode: str
) -> None:
    """Whatever the numbers: face rounded half up, each extra up, all of it summed."""
    size = f"{width / 10:g}x{height / 10:g}in"
    lab = canvas_product(ppi=PpiRange(ppi, ppi, ppi))
    request = asked(size=size, wrap=extra, edge=mode).request
    wanted = parse_full_size(size)
    wrap, tuck = (Length.parse(text).px_up(Fraction(ppi)) for text in (extra, "0.5in"))
    pixels = (wanted.w.px(Fraction(ppi)), wanted.h.px(Fraction(ppi)))
    if mode in ("image", "included"):
        pixels = (pixels[0] + 2 * (wrap + tuck), pixels[1] + 2 * (wrap + tuck))
    layout = lay_out(*pixels, request, CANVAS, lab)
    face = layout.face
    # Which way it stands is the picture's to say, and a square may be written either way.
    assert (face.width, face.height) == (wanted.w.px(Fraction(ppi)), wanted.h.px(Fraction(ppi)))
    assert (face.left, face.top) == (wrap + tuck, wrap + tuck)
    assert (layout.width, layout.height) == (
        face.width + 2 * (wrap + tuck), face.height + 2 * (wrap + tuck),
    )  # fmt: skip
    assert layout.factor == 1


def test_a_side_that_was_worked_out_moves_no_pixel() -> None:
    """3:2 kept whole on 10 x 8 in: 3000 × 2400 px at 300 ppi, whatever 6.67 in is rounded from."""
    request = asked(size="8x10in", fit="border").request
    layout = lay_out(3000, 2000, request, PAPER, product())
    assert (layout.width, layout.height, layout.ppi) == (3000, 2400, 300)
    assert (layout.face.width, layout.face.height) == (3000, 2000)
