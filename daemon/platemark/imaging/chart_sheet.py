"""A ruled sheet for charts: lines with dashes, panels with grids, words in the library's typeface.

Lines are told by their dashes and marks first and their colour second; the colours are from the
palette of Okabe and Ito (2002, revised 2008; values from memory), which colour-blind people can
tell apart. A sheet is drawn at twice its size and made smaller, for smooth lines.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from PIL import Image, ImageDraw, ImageFont

from platemark.imaging.icc import build_matrix_profile

Rgb = tuple[int, int, int]
Point = tuple[float, float]

PPI = 200
INK, FAINT, GRID, SHADE = (20, 20, 20), (96, 96, 96), (222, 222, 222), (232, 232, 232)
BLUE, VERMILLION = (0, 114, 178), (213, 94, 0)
TEXT, SMALL = 27, 23
_FINER = 2


@dataclass(frozen=True, slots=True)
class Style:
    """How a line is drawn: lengths on and off in px of the sheet, none for a whole line."""

    colour: Rgb
    width: float
    dashes: tuple[float, ...] = ()


@dataclass(frozen=True, slots=True)
class Panel:
    """A ruled box on the sheet, and the values at its sides."""

    left: float
    top: float
    width: float
    height: float
    across: tuple[float, float]
    up: tuple[float, float]

    def at(self, x: float, y: float) -> Point:
        """Where a pair of values lies on the sheet."""
        part_x = (x - self.across[0]) / (self.across[1] - self.across[0])
        part_y = (y - self.up[0]) / (self.up[1] - self.up[0])
        return self.left + part_x * self.width, self.top + (1 - part_y) * self.height


class Sheet:
    """A white sheet; every measure is in px of the finished drawing."""

    def __init__(self, width: int, height: int) -> None:
        self._size = (width, height)
        self._image = Image.new("RGB", (width * _FINER, height * _FINER), (255, 255, 255))
        self._pen = ImageDraw.Draw(self._image)

    def line(self, points: list[Point], style: Style) -> None:
        """Draw a line through points, with its dashes running on round corners."""
        for piece in _dashed(points, style.dashes):
            scaled = [(x * _FINER, y * _FINER) for x, y in piece]
            self._pen.line(scaled, style.colour, round(style.width * _FINER), joint="curve")

    def shade(self, points: list[Point], colour: Rgb) -> None:
        """Fill the inside of an outline."""
        self._pen.polygon([(x * _FINER, y * _FINER) for x, y in points], fill=colour)

    def disc(self, at: Point, radius: float, colour: Rgb) -> None:
        """Fill a circle."""
        x, y = (side * _FINER for side in at)
        reach = radius * _FINER
        self._pen.ellipse((x - reach, y - reach, x + reach, y + reach), fill=colour)

    def text(
        self, at: Point, words: str, *, size: int = TEXT, anchor: str = "ls", colour: Rgb = INK
    ) -> float:
        """Write; gives how far across the words reach."""
        font = _lettering(size)
        self._pen.text(
            (at[0] * _FINER, at[1] * _FINER), words, font=font, fill=colour, anchor=anchor
        )
        return float(font.getlength(words)) / _FINER

    def upright(self, middle: Point, words: str) -> None:
        """Write from below upwards."""
        font = _lettering(SMALL)
        wide, high = int(font.getlength(words)) + 2, SMALL * _FINER * 3 // 2
        slip = Image.new("RGB", (wide, high), (255, 255, 255))
        ImageDraw.Draw(slip).text((1, high // 2), words, font=font, fill=INK, anchor="lm")
        turned = slip.transpose(Image.Transpose.ROTATE_90)
        left, top = middle[0] * _FINER - high / 2, middle[1] * _FINER - wide / 2
        self._image.paste(turned, (round(left), round(top)))

    def save(self, path: str) -> None:
        """Write it as a PNG in sRGB that says so and how large it is."""
        small = self._image.resize(self._size, Image.Resampling.BOX)
        small.save(
            path, "PNG", dpi=(PPI, PPI), icc_profile=build_matrix_profile("srgb"), optimize=True
        )


def rule(sheet: Sheet, panel: Panel, across: float, up: float) -> None:
    """Draw a panel's grid with its numbers, and its frame."""
    bottom = panel.top + panel.height
    for value in marks(panel.across, across):
        x, _ = panel.at(value, panel.up[0])
        strong = value == 0 and panel.across[0] < 0
        sheet.line([(x, panel.top), (x, bottom)], Style(FAINT if strong else GRID, 1.5))
        sheet.text((x, bottom + 32), _number(value), size=SMALL, anchor="ms")
    rule_up(sheet, panel, up)


def rule_up(sheet: Sheet, panel: Panel, up: float) -> None:
    """Draw a panel's lines across with their numbers, and its frame."""
    right, bottom = panel.left + panel.width, panel.top + panel.height
    for value in marks(panel.up, up):
        _, y = panel.at(panel.across[0], value)
        strong = value == 0 and panel.up[0] < 0
        sheet.line([(panel.left, y), (right, y)], Style(FAINT if strong else GRID, 1.5))
        sheet.text((panel.left - 12, y), _number(value), size=SMALL, anchor="rm")
    frame = [(panel.left, panel.top), (right, panel.top), (right, bottom), (panel.left, bottom)]
    for start, end in pairwise([*frame, frame[0]]):
        sheet.line([start, end], Style(FAINT, 1.5))


def marks(ends: tuple[float, float], step: float) -> list[float]:
    """Multiples of a step between two ends."""
    first, last = int(np.ceil(ends[0] / step)), int(np.floor(ends[1] / step))
    return [number * step for number in range(first, last + 1)]


def _number(value: float) -> str:
    return f"{round(value, 1):g}"


def key(sheet: Sheet, at: Point, entries: tuple[tuple[Style, str], ...]) -> None:
    """Explain lines, one below the other."""
    for row, (style, words) in enumerate(entries):
        y = at[1] + row * 38
        sheet.line([(at[0], y), (at[0] + 70, y)], style)
        sheet.text((at[0] + 84, y + 8), words, size=SMALL)


def name_axes(sheet: Sheet, panel: Panel, across: str, up: str) -> None:
    """Name what a panel shows, across and up."""
    bottom = panel.top + panel.height
    sheet.text((panel.left + panel.width / 2, bottom + 66), across, size=SMALL, anchor="ms")
    sheet.upright((panel.left - 82, panel.top + panel.height / 2), up)


def _dashed(points: list[Point], dashes: tuple[float, ...]) -> list[list[Point]]:
    """Cut a line into its dashes; whole where there are none."""
    if not dashes:
        return [points]
    pieces: list[list[Point]] = [[points[0]]]
    left, turn = dashes[0], 0
    for start, end in pairwise(points):
        length = float(np.hypot(end[0] - start[0], end[1] - start[1]))
        gone = 0.0
        while length - gone > left:
            gone += left
            part = gone / length
            place = (start[0] + (end[0] - start[0]) * part, start[1] + (end[1] - start[1]) * part)
            pieces[-1].append(place)
            pieces.append([place])
            turn += 1
            left = dashes[turn % len(dashes)]
        left -= length - gone
        pieces[-1].append(end)
    return [piece for number, piece in enumerate(pieces) if number % 2 == 0 and len(piece) > 1]


def _lettering(size: int) -> ImageFont.FreeTypeFont | ImageFont.ImageFont:
    """The drawing library's own typeface, so that no file of the system is needed."""
    return ImageFont.load_default(size * _FINER)
