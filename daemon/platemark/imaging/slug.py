"""The line of text in the bleed that shows whether a print was mirrored once, twice or never.

It stands below the picture, at the left, outside the trim, on a white patch of its own so that it
can be read on any picture. It is put there before any mirroring: where the studio mirrors the file,
it reads the wrong way round in the file, and the right way from the front of the finished panel.
"""

from __future__ import annotations

from dataclasses import dataclass
from fractions import Fraction
from typing import Any

import numpy as np
from numpy.typing import NDArray
from PIL import Image, ImageDraw, ImageFont

from platemark.model.plan import Plan
from platemark.model.terms import Box
from platemark.model.units import MM_PER, ceil, round_half_up

CLEAR_MM = Fraction(1)
"""Between the patch and the trim, at least: a cut may be off by that (common practice)."""
LETTER_MM = (Fraction(18, 10), Fraction(15, 10))
"""Height of a capital letter, the first that there is room for."""
_SMALLEST_LETTER_PX = 7
_SEPARATOR = " · "

Ink = NDArray[np.bool_]


@dataclass(frozen=True, slots=True)
class Slug:
    """Letters on a patch, in document pixels before any mirroring."""

    words: str
    box: Box
    ink: Ink
    """Where the letters are, shape (box.height, box.width)."""

    def samples(self, kind: np.dtype[Any] | type[np.unsignedinteger[Any]]) -> NDArray[Any]:
        """The patch in device values: no ink around the letters, all of it in them.

        Neither dither nor rounding moves these two values.
        """
        white = np.iinfo(kind).max
        return np.repeat(np.where(self.ink, 0, white).astype(kind)[:, :, None], 3, axis=2)

    def put(self, rows: NDArray[Any], top: int) -> None:
        """Draw the part of it that lies in these rows of the document, the first being `top`."""
        box = self.box
        first, last = max(box.top, top), min(box.top + box.height, top + len(rows))
        if first < last:
            part = self.samples(rows.dtype)[first - box.top : last - box.top]
            rows[first - top : last - top, box.left : box.left + box.width] = part


def slug_of(plan: Plan) -> Slug | None:
    """Make a plan's slug; None where it has none, or no room for letters that can be read."""
    trim = plan.trim_box
    room = plan.print_height_px - trim.top - trim.height - ceil(CLEAR_MM / MM_PER["in"] * plan.ppi)
    if not plan.slug or not plan.bleed_px:
        return None
    for words in dict.fromkeys((plan.slug, plan.slug.rpartition(_SEPARATOR)[0])):
        for letter_mm in LETTER_MM:
            letter = max(_SMALLEST_LETTER_PX, round_half_up(letter_mm / MM_PER["in"] * plan.ppi))
            ink = lettered(words, letter) if words and letter < room else None
            if ink is not None and ink.shape[0] <= room and ink.shape[1] <= trim.width:
                height, width = ink.shape
                top = plan.print_height_px - height
                return Slug(words, Box(trim.left, top, width, height), ink)
    return None


def lettered(words: str, letter_px: int) -> Ink:
    """Draw words whose capitals are `letter_px` high, with a margin around them."""
    font = _typeface(letter_px)
    left, top, right, bottom = (round(edge) for edge in font.getbbox(words))
    # Letters without grey stand wider than the font reckons, so what was drawn is measured.
    room = 2 * letter_px
    paper = Image.new("1", (2 * (right - left) + 2 * room, bottom - top + 2 * room))
    pen = ImageDraw.Draw(paper)
    pen.fontmode = "1"
    pen.text((room - left, room - top), words, font=font, fill=1)
    ink = np.asarray(paper, np.bool_)
    down, across = np.flatnonzero(ink.any(axis=1)), np.flatnonzero(ink.any(axis=0))
    margin = max(1, letter_px // 6)
    return np.pad(ink[down[0] : down[-1] + 1, across[0] : across[-1] + 1], margin)


def _typeface(letter_px: int) -> Any:
    """The drawing library's own typeface, so that no file of the system is needed."""
    size = letter_px
    while True:
        font = ImageFont.load_default(size)
        _, top, _, bottom = font.getbbox("H")
        if bottom - top >= letter_px:
            return font
        size += 1
