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
    layout = lay_out(
        width,
        height,
        asked(size=size).request,
        LUSTRE,
        product(ppi=PpiRange(lowest, max(lowest, 300), max(lowest, 400))),
    )
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
