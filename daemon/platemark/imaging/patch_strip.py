"""The patch strip as samples: its colours by the picture's own conversion, and its line of text.

It lies below the print on bare paper and is put there before any mirroring, as the slug is. Each
patch is converted exactly, through both profiles; from there on it goes the way of the picture.
"""

from __future__ import annotations

import hashlib
from collections.abc import Iterator
from dataclasses import dataclass
from fractions import Fraction
from functools import cache
from typing import Any

import numpy as np
from numpy.typing import NDArray

from platemark.imaging.convert import Conversion
from platemark.imaging.depth import dither_rows, dither_tile
from platemark.imaging.icc import build_matrix_profile, parse_profile
from platemark.imaging.slug import lettered
from platemark.imaging.source import Profile
from platemark.model.patch_strip import CLEAR_MM, LETTER_MM, PATCHES, StripPlan
from platemark.model.plan import Plan
from platemark.model.terms import Box
from platemark.model.units import MM_PER, ceil, round_half_up

Codes16 = NDArray[np.uint16]
_PAPER = 65535
_SMALLEST_LETTER_PX = 5
_JPEG_MEANS = 4
"""Codes of 255 that the mean of a patch may be off in a JPEG, as for the squares of a picture."""
_SEPARATOR = " · "


@dataclass(frozen=True, slots=True)
class Strip:
    """A strip whose colours are known."""

    plan: StripPlan
    device: Codes16
    """Of each patch, in the print's own colours, shape (patches, 3)."""
    ink: NDArray[np.bool_]
    """The letters of its line."""
    ink_box: Box

    def put(self, rows: Codes16, top: int) -> None:
        """Draw the part of it that lies in these rows of the document, the first being `top`."""
        self._fill(rows, top, self.plan.box, np.array([_PAPER] * 3, np.uint16))
        for (_, box), colour in zip(self.plan.patches(), self.device, strict=True):
            self._fill(rows, top, box, colour)
        box = self.ink_box
        first, last = _within(box, top, len(rows))
        if first < last:
            letters = np.where(self.ink[first - box.top : last - box.top], 0, _PAPER)
            rows[first - top : last - top, box.left : box.left + box.width] = letters[:, :, None]

    def samples(self) -> Codes16:
        """All of it, shape (height, width, 3)."""
        box = self.plan.box
        rows = np.full((box.height, box.width, 3), _PAPER, np.uint16)
        self.put(rows, box.top)
        return rows

    @staticmethod
    def _fill(rows: Codes16, top: int, box: Box, colour: Codes16) -> None:
        first, last = _within(box, top, len(rows))
        if first < last:
            rows[first - top : last - top, box.left : box.left + box.width] = colour


def strip_of(plan: Plan, output: Profile) -> Strip | None:
    """Make a plan's strip in the print's own colours; None where it has none.

    Args:
        plan: The print.
        output: The profile that it is converted to.
    """
    if plan.strip is None:
        return None
    ink = _line(plan.strip, plan.ppi)
    clear = ceil(CLEAR_MM / MM_PER["in"] * plan.ppi)
    at = Box(plan.strip.left, plan.strip.box.top + clear, ink.shape[1], ink.shape[0])
    device = device_of(output, plan)
    return Strip(plan.strip, device, ink, at)


def why_not_as_planned(strip: Strip, found: NDArray[Any], plan: Plan) -> Iterator[str]:
    """What is wrong with a strip as it stands in a print file.

    Args:
        strip: As it was planned.
        found: The file's own samples where it lies.
        plan: Of the print.
    """
    wanted = strip.samples()
    if plan.mirror:
        wanted = wanted[:, ::-1]
    if plan.format == "jpeg":
        yield from _against_jpeg(strip, found, wanted, plan)
        return
    expected: NDArray[Any] = wanted
    if plan.bits == 8:
        tile = dither_tile(plan.dither_seed)
        expected = dither_rows(np.ascontiguousarray(wanted), strip.plan.box.top, tile)
    differing = int(np.count_nonzero(np.any(found != expected, axis=-1)))
    if differing:
        yield f"its patch strip is not as planned: {differing} of its pixels differ"


def _against_jpeg(strip: Strip, found: NDArray[Any], wanted: Codes16, plan: Plan) -> Iterator[str]:
    """JPEG keeps no sample, but the mean of the middle of every patch."""
    for patch, box in strip.plan.patches():
        left = plan.width_px - box.left - box.width if plan.mirror else box.left
        rim, top = box.width // 4, box.top - strip.plan.box.top
        middle = np.s_[top + rim : top + box.height - rim, left + rim : left + box.width - rim]
        off = np.abs(found[middle].mean(axis=(0, 1)) - wanted[middle].mean(axis=(0, 1)) / 257)
        if off.max() > _JPEG_MEANS:
            yield f"its patch strip is not as planned: {patch.name} is off by {off.max():.0f} codes"
            return


def device_of(output: Profile, plan: Plan) -> Codes16:
    """The patches in the print's own colours, shape (patches, 3)."""
    conversion = Conversion(srgb(), output, plan.intent, plan.black_point_compensation)
    codes = np.array([patch.rgb for patch in PATCHES], np.uint16) * np.uint16(257)
    return conversion.exact(codes)


@cache
def srgb() -> Profile:
    """The space that the patches are said in."""
    data = build_matrix_profile("srgb")
    return Profile(data, hashlib.sha256(data).hexdigest(), parse_profile(data))


def _within(box: Box, top: int, count: int) -> tuple[int, int]:
    return max(box.top, top), min(box.top + box.height, top + count)


def _line(strip: StripPlan, ppi: Fraction) -> NDArray[np.bool_]:
    """The line of text, as large as there is room for; its last words go first."""
    room = strip.top - strip.box.top - ceil(CLEAR_MM / MM_PER["in"] * ppi)
    across = strip.across * strip.patch_px
    largest = round_half_up(LETTER_MM / MM_PER["in"] * ppi)
    words = strip.words
    while words:
        for letter in range(largest, max(_SMALLEST_LETTER_PX, largest * 2 // 3) - 1, -1):
            ink = lettered(words, letter)
            if ink.shape[0] <= room and ink.shape[1] <= across:
                return ink
        words = words.rpartition(_SEPARATOR)[0]
    return np.zeros((0, 0), np.bool_)
