"""Exact lengths and sizes: decimals with a unit, computed as rationals, never as floats."""

from __future__ import annotations

import re
from dataclasses import dataclass
from decimal import Decimal
from fractions import Fraction
from typing import Literal

Unit = Literal["in", "cm", "mm"]
Orientation = Literal["landscape", "portrait", "square"]

# 1 in = 25.4 mm exactly (international yard and pound agreement, 1959).
MM_PER: dict[str, Fraction] = {"in": Fraction(254, 10), "cm": Fraction(10), "mm": Fraction(1)}

# ISO 216 trimmed sizes, portrait, in millimetres.
ISO_216: dict[str, tuple[int, int]] = {
    "A0": (841, 1189),
    "A1": (594, 841),
    "A2": (420, 594),
    "A3": (297, 420),
    "A4": (210, 297),
    "A5": (148, 210),
    "A6": (105, 148),
}

_NUMBER = r"[0-9]{1,6}(?:\.[0-9]{1,6})?"
_LENGTH = re.compile(rf"({_NUMBER})\s*(in|cm|mm)", re.IGNORECASE)
_NO_UNIT = re.compile(rf"({_NUMBER})\s*[x×]\s*({_NUMBER})", re.IGNORECASE)
_SIZE = re.compile(rf"({_NUMBER})\s*[x×]\s*({_NUMBER})\s*(in|cm|mm)", re.IGNORECASE)
_ONE_SIDE = re.compile(rf"(long|short)\s+({_NUMBER})\s*(in|cm|mm)", re.IGNORECASE)


class BadSize(ValueError):
    """A length or size that cannot be read; the message says what would be right."""


def round_half_up(value: Fraction) -> int:
    """Round to the nearest whole number, halves upwards (never to even)."""
    return (value.numerator * 2 + value.denominator) // (value.denominator * 2)


def ceil(value: Fraction) -> int:
    """Round up to a whole number."""
    return -(-value.numerator // value.denominator)


def shown(value: Fraction, places: int = 1) -> str:
    """Write a rational for people: at most `places` decimals, no trailing zeros."""
    scaled = round_half_up(value * 10**places)
    text = f"{Decimal(scaled).scaleb(-places):f}"
    return text.rstrip("0").rstrip(".") if "." in text else text


@dataclass(frozen=True, slots=True)
class Length:
    """A length as somebody wrote it, with its unit."""

    value: Decimal
    unit: Unit

    @classmethod
    def parse(cls, text: str) -> Length:
        """Read `0.75in`, `3 mm` or `2.5cm`.

        Raises:
            BadSize: the text is not a number with in, cm or mm.
        """
        match = _LENGTH.fullmatch(text.strip())
        if match is None:
            raise BadSize(f"“{text}” is not a length; write it like 3mm, 1.5in or 2cm")
        return cls(Decimal(match[1]), _unit(match[2]))

    @property
    def mm(self) -> Fraction:
        """The length in millimetres, exact."""
        return Fraction(self.value) * MM_PER[self.unit]

    @property
    def inches(self) -> Fraction:
        """The length in inches, exact."""
        return self.mm / MM_PER["in"]

    def px(self, ppi: Fraction) -> int:
        """Pixels at `ppi`, rounded half up (for a trim size)."""
        return round_half_up(self.inches * ppi)

    def px_up(self, ppi: Fraction) -> int:
        """Pixels at `ppi`, rounded up (for bleed, wrap and tuck)."""
        return ceil(self.inches * ppi)

    def __str__(self) -> str:
        return f"{_plain(self.value)}{self.unit}"


ZERO = Length(Decimal(0), "mm")


@dataclass(frozen=True, slots=True)
class Size:
    """A width and a height in one unit, as ordered."""

    width: Decimal
    height: Decimal
    unit: Unit
    name: str | None = None
    """The ISO 216 name where it was given by name."""

    @property
    def w(self) -> Length:
        """The width as a length."""
        return Length(self.width, self.unit)

    @property
    def h(self) -> Length:
        """The height as a length."""
        return Length(self.height, self.unit)

    @property
    def orientation(self) -> Orientation:
        """How the size stands."""
        return orientation_of(self.w.mm, self.h.mm)

    def turned(self) -> Size:
        """The same size with its sides swapped."""
        return Size(self.height, self.width, self.unit, self.name)

    def standing_like(self, orientation: Orientation) -> Size:
        """The same size, turned where needed to stand like `orientation`."""
        if "square" in (orientation, self.orientation) or self.orientation == orientation:
            return self
        return self.turned()

    def same_as(self, other: Size, *, either_way: bool = True) -> bool:
        """Whether both name the same measure, in whatever unit."""
        if (self.w.mm, self.h.mm) == (other.w.mm, other.h.mm):
            return True
        return either_way and (self.w.mm, self.h.mm) == (other.h.mm, other.w.mm)

    def __str__(self) -> str:
        return self.name or f"{_plain(self.width)}x{_plain(self.height)}{self.unit}"


@dataclass(frozen=True, slots=True)
class OneSide:
    """A size of which only the long or the short side is given; the picture gives the other."""

    side: Literal["long", "short"]
    length: Length

    def __str__(self) -> str:
        return f"{self.side} {self.length}"


def parse_size(text: str) -> Size | OneSide:
    """Read `16x20in`, `40x60cm`, `A3`, `long 60cm` or `short 8in`.

    Raises:
        BadSize: it is none of these, or a side is zero.
    """
    text = text.strip()
    if text.upper() in ISO_216:
        width, height = ISO_216[text.upper()]
        return Size(Decimal(width), Decimal(height), "mm", text.upper())
    if match := _SIZE.fullmatch(text):
        size = Size(Decimal(match[1]), Decimal(match[2]), _unit(match[3]))
        if not size.width or not size.height:
            raise BadSize(f"“{text}” has a side of nothing; give both sides, like 16x20in")
        return size
    if match := _ONE_SIDE.fullmatch(text):
        length = Length(Decimal(match[2]), _unit(match[3]))
        if not length.value:
            raise BadSize(f"“{text}” has a side of nothing; give it a length, like long 60cm")
        return OneSide("long" if match[1].lower() == "long" else "short", length)
    if _NO_UNIT.fullmatch(text):
        raise BadSize(f"“{text}” has no unit; write it like {text}in or {text}cm")
    raise BadSize(
        f"“{text}” is not a size; write it like 16x20in, 40x60cm, A3, long 60cm or short 8in"
    )


def parse_full_size(text: str) -> Size:
    """Read a size with both sides.

    Raises:
        BadSize: it is not a size or gives only one side.
    """
    size = parse_size(text)
    if isinstance(size, OneSide):
        raise BadSize(f"“{text}” gives only one side; here both are needed, like 16x20in")
    return size


def orientation_of(width: Fraction | int, height: Fraction | int) -> Orientation:
    """How a rectangle stands."""
    if width == height:
        return "square"
    return "landscape" if width > height else "portrait"


def _unit(text: str) -> Unit:
    lowered = text.lower()
    return "in" if lowered == "in" else "cm" if lowered == "cm" else "mm"


def _plain(value: Decimal) -> str:
    text = f"{value:f}"
    return text.rstrip("0").rstrip(".") if "." in text else text
