from fractions import Fraction

import pytest
from hypothesis import given
from hypothesis import strategies as st

from platemark.model.units import (
    BadSize,
    Length,
    OneSide,
    Size,
    ceil,
    parse_full_size,
    parse_size,
    round_half_up,
    shown,
)


@pytest.mark.parametrize(
    ("size", "ppi", "pixels"),
    [
        # ISO 216 sizes in millimetres; pixels follow from 1 in = 25.4 mm exactly.
        ("A5", 300, (1748, 2480)),
        ("A4", 300, (2480, 3508)),
        ("A3", 300, (3508, 4961)),
        ("A2", 300, (4961, 7016)),
        ("A1", 300, (7016, 9933)),
        ("A0", 300, (9933, 14043)),
        ("A5", 360, (2098, 2976)),
        ("A4", 360, (2976, 4209)),
        ("A3", 360, (4209, 5953)),
        ("A2", 360, (5953, 8419)),
        ("A1", 360, (8419, 11920)),
        ("A0", 360, (11920, 16852)),
        ("16x20in", 300, (4800, 6000)),
    ],
)
def test_trim_pixels(size: str, ppi: int, pixels: tuple[int, int]) -> None:
    """A trim size in pixels is rounded half up (ISO 216; inch of 25.4 mm)."""
    parsed = parse_full_size(size)
    assert (parsed.w.px(Fraction(ppi)), parsed.h.px(Fraction(ppi))) == pixels


def test_half_a_pixel_goes_up_exactly() -> None:
    """1.005 in at 100 ppi is 101 px: exact 100.5 goes up, where a float's 100.4999 would not."""
    assert Length.parse("1.005in").px(Fraction(100)) == 101
    assert round(1.005 * 100) == 100


def test_extras_round_up() -> None:
    """Bleed rounds up: 3 mm at 300 ppi is 35.433, so 36; 1/8 in is 37.5, so 38."""
    assert Length.parse("3mm").px_up(Fraction(300)) == 36
    assert Length.parse("0.125in").px_up(Fraction(300)) == 38


@given(st.fractions())
def test_rounding_is_half_up_and_ceiling(value: Fraction) -> None:
    """Rounding never strays more than half a unit, goes up at exactly half; ceil never under."""
    rounded = round_half_up(value)
    assert Fraction(-1, 2) < rounded - value <= Fraction(1, 2)
    assert 0 <= ceil(value) - value < 1


@pytest.mark.parametrize("text", ["16x20in", "40x60cm", "297x420mm", "8.5x11in", "A3"])
def test_sizes_read_back(text: str) -> None:
    """A size written out reads as the same size."""
    assert str(parse_size(text)) == text


@pytest.mark.parametrize(
    ("text", "side", "length"), [("long 60cm", "long", "60cm"), ("short 8in", "short", "8in")]
)
def test_one_sided_sizes(text: str, side: str, length: str) -> None:
    """A size may give only its long or short side."""
    size = parse_size(text)
    assert isinstance(size, OneSide)
    assert (size.side, str(size.length)) == (side, length)


@pytest.mark.parametrize(
    "text",
    ["", "16x20", "4032x3024", "16x20px", "0x20in", "A9", "-1x2in", "1e3x2in", "long", "٣x٤in"],
)
def test_what_is_no_size_says_what_would_be(text: str) -> None:
    """Anything else is refused with an example of what is right."""
    with pytest.raises(BadSize, match="like"):
        parse_size(text)


def test_same_measure_in_another_unit() -> None:
    """Sizes agree by measure, not by spelling; and either way round unless told otherwise."""
    assert parse_full_size("10x20cm").same_as(parse_full_size("200x100mm"))
    assert not parse_full_size("10x20cm").same_as(parse_full_size("200x100mm"), either_way=False)
    assert not parse_full_size("10x20cm").same_as(parse_full_size("10x20in"))


@pytest.mark.parametrize(
    ("standing", "expected"),
    [("landscape", "20x16in"), ("portrait", "16x20in"), ("square", "16x20in")],
)
def test_a_size_stands_like_its_picture(standing: str, expected: str) -> None:
    """A size turns to stand like the picture; a square picture turns nothing."""
    size = parse_full_size("16x20in")
    assert isinstance(size, Size)
    assert str(size.standing_like(standing)) == expected  # type: ignore[arg-type]


def test_numbers_for_people() -> None:
    """Rationals are shown rounded half up, without needless zeros."""
    assert shown(Fraction(500, 3)) == "166.7"
    assert shown(Fraction(300)) == "300"
    assert shown(Fraction(5, 100), 1) == "0.1"
    assert shown(Fraction(-5, 2)) == "-2.5"
