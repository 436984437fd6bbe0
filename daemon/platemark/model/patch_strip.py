"""The patch strip: 36 known colours beside a print, outside its trim, to be measured later.

The colours are sRGB values, taken to the print by the profile, the intent and the black point
compensation of the picture itself. So every strip of a product is the same as long as these are
the same, whatever space its picture came in, and strips can be held against each other.

The list of colours is house practice: paper and black twice, a ramp of greys, the primaries and
secondaries full and half way to the paper, skin, sky, foliage, a deep blue, and three colours that
are nearly black.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from fractions import Fraction
from typing import Literal

from platemark.model.terms import Box
from platemark.model.units import MM_PER, ceil

Rgb = tuple[int, int, int]
Group = Literal["paper", "black", "grey", "primary", "half", "memory", "dark"]

PATCH_MM = Fraction(8)
"""Side of a patch; the apertures of hand-held instruments are 2 to 6 mm (common practice)."""
CLEAR_MM = Fraction(3)
"""Bare paper between the print and the strip, and below it."""
TEXT_MM = Fraction(4)
"""Height of the line of text between them."""
LETTER_MM = Fraction(17, 10)
"""Height of a capital letter of it, at most."""
FEWEST_ACROSS = 4
"""A print that is too narrow for so many patches has no strip."""


@dataclass(frozen=True, slots=True)
class Patch:
    """One colour of the strip."""

    name: str
    group: Group
    rgb: Rgb
    """sRGB, 0 to 255."""


def _greys() -> Iterator[Patch]:
    for level in (16, 32, 48, 64, 96, 128, 160, 192, 224, 240, 248):
        yield Patch(f"grey {level}", "grey", (level, level, level))


def _primaries() -> Iterator[Patch]:
    names = ("red", "green", "blue", "cyan", "magenta", "yellow")
    full = ((255, 0, 0), (0, 255, 0), (0, 0, 255), (0, 255, 255), (255, 0, 255), (255, 255, 0))
    for name, rgb in zip(names, full, strict=True):
        yield Patch(name, "primary", rgb)
    for name, (red, green, blue) in zip(names, full, strict=True):
        half = (max(red, 128), max(green, 128), max(blue, 128))
        yield Patch(f"half {name}", "half", half)


PATCHES: tuple[Patch, ...] = (
    Patch("paper", "paper", (255, 255, 255)),
    Patch("black", "black", (0, 0, 0)),
    *_greys(),
    *_primaries(),
    Patch("light skin", "memory", (240, 200, 180)),
    Patch("skin", "memory", (200, 150, 120)),
    Patch("dark skin", "memory", (140, 95, 70)),
    Patch("sky", "memory", (110, 150, 200)),
    Patch("foliage", "memory", (80, 110, 50)),
    Patch("deep blue", "memory", (20, 30, 110)),
    Patch("near-black red", "dark", (40, 12, 12)),
    Patch("near-black green", "dark", (12, 40, 12)),
    Patch("near-black blue", "dark", (12, 12, 40)),
    Patch("paper", "paper", (255, 255, 255)),
    Patch("black", "black", (0, 0, 0)),
)
"""In the order in which they are printed, row by row, from the left."""


@dataclass(frozen=True, slots=True)
class StripPlan:
    """Where a strip lies below its print; boxes are in document pixels, before any mirroring."""

    box: Box
    """All of it, as wide as the document: what is cut off."""
    patch_px: int
    across: int
    """Patches in a row."""
    left: int
    top: int
    """Corner of the first patch."""
    words: str
    """The line of text above the patches."""

    @property
    def rows(self) -> int:
        """Rows of patches."""
        return -(-len(PATCHES) // self.across)

    def patches(self) -> Iterator[tuple[Patch, Box]]:
        """Every patch and where it lies."""
        for number, patch in enumerate(PATCHES):
            down, right = divmod(number, self.across)
            side = self.patch_px
            yield patch, Box(self.left + right * side, self.top + down * side, side, side)


def strip_below(width: int, height: int, ppi: Fraction) -> StripPlan | None:
    """Lay a strip out below a document; None where that is too narrow for one.

    Args:
        width: Of the document, px.
        height: Of the document, px; the strip begins there.
        ppi: Of the document.
    """
    side, clear, text = (ceil(mm / MM_PER["in"] * ppi) for mm in (PATCH_MM, CLEAR_MM, TEXT_MM))
    most = min(len(PATCHES), width // side)
    if most < FEWEST_ACROSS:
        return None
    # Rows of equal length where that takes no further row.
    rows = -(-len(PATCHES) // most)
    across = -(-len(PATCHES) // rows)
    tall = clear + text + rows * side + clear
    return StripPlan(
        box=Box(0, height, width, tall),
        patch_px=side,
        across=across,
        left=(width - across * side) // 2,
        top=height + clear + text,
        words="",
    )


def strip_words(surface: str, profile_sha256: str, original_sha256: str) -> str:
    """What a person needs to know who holds a strip that was cut off.

    The ticket says which job the picture is of; a plan knows no job and no date.
    """
    return (
        f"CUT OFF, SEND BACK · {surface} · profile {profile_sha256[:8]} · "
        f"picture {original_sha256[:8]}"
    )
