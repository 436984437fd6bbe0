"""What a printer profile can print, on one sheet: three sections, its greys, its figures.

Lines are told by their dashes first and their colour second; the colours are from the palette of
Okabe and Ito (2002, revised 2008; values from memory), which colour-blind people can tell apart.
The sheet is A4 across at 200 ppi, drawn at twice that and made smaller, for smooth lines.
"""

from __future__ import annotations

import hashlib
from dataclasses import dataclass
from itertools import pairwise
from pathlib import Path

import numpy as np
from numpy.typing import NDArray
from PIL import Image, ImageDraw, ImageFont

from platemark.imaging.admission import Admission, admit_profile, device_of_lab, lab_of_device
from platemark.imaging.gamut import Solid, section_of, share_of, solid_of, volume_of
from platemark.imaging.icc import build_matrix_profile
from platemark.imaging.letters import in_letters
from platemark.imaging.steps import PictureFault
from platemark.model.work import GamutReport, GamutTask

Floats = NDArray[np.float64]
Rgb = tuple[int, int, int]
Point = tuple[float, float]

WIDTH, HEIGHT, PPI = 2340, 1654, 200
LEVELS = (30, 50, 70)

_FINER = 2
_INK, _FAINT, _GRID, _SHADE = (20, 20, 20), (96, 96, 96), (222, 222, 222), (232, 232, 232)
_BLUE, _VERMILLION = (0, 114, 178), (213, 94, 0)
_LEFT, _PITCH, _SIDE = 150, 750, 640
_TOP, _LOWER, _LOW = 262, 1046, 450
_TEXT, _SMALL = 27, 23


@dataclass(frozen=True, slots=True)
class _Style:
    """How a line is drawn: lengths on and off in px of the sheet, none for a whole line."""

    colour: Rgb
    width: float
    dashes: tuple[float, ...] = ()


_PRINT = _Style(_INK, 4)
_SRGB = _Style(_BLUE, 4, (20, 9))
_ADOBE_RGB = _Style(_VERMILLION, 4.5, (4.5, 8))
_FITTED = _Style(_BLUE, 4, (20, 9))
_EVEN = _Style(_FAINT, 2, (3, 9))


@dataclass(frozen=True, slots=True)
class _Panel:
    """A ruled box on the sheet, and the values at its sides."""

    left: int
    top: int
    width: int
    height: int
    across: tuple[float, float]
    up: tuple[float, float]

    def at(self, x: float, y: float) -> Point:
        """Where a pair of values lies on the sheet."""
        part_x = (x - self.across[0]) / (self.across[1] - self.across[0])
        part_y = (y - self.up[0]) / (self.up[1] - self.up[0])
        return self.left + part_x * self.width, self.top + (1 - part_y) * self.height


class _Sheet:
    """A white sheet; every measure is in px of the finished drawing."""

    def __init__(self) -> None:
        self._image = Image.new("RGB", (WIDTH * _FINER, HEIGHT * _FINER), (255, 255, 255))
        self._pen = ImageDraw.Draw(self._image)

    def line(self, points: list[Point], style: _Style) -> None:
        """Draw a line through points, with its dashes running on round corners."""
        for piece in _dashed(points, style.dashes):
            scaled = [(x * _FINER, y * _FINER) for x, y in piece]
            self._pen.line(scaled, style.colour, round(style.width * _FINER), joint="curve")

    def shade(self, points: list[Point], colour: Rgb) -> None:
        """Fill the inside of an outline."""
        self._pen.polygon([(x * _FINER, y * _FINER) for x, y in points], fill=colour)

    def text(
        self, at: Point, words: str, *, size: int = _TEXT, anchor: str = "ls", colour: Rgb = _INK
    ) -> float:
        """Write; gives how far across the words reach."""
        font = _lettering(size)
        self._pen.text(
            (at[0] * _FINER, at[1] * _FINER), words, font=font, fill=colour, anchor=anchor
        )
        return float(font.getlength(words)) / _FINER

    def upright(self, middle: Point, words: str) -> None:
        """Write from below upwards."""
        font = _lettering(_SMALL)
        wide, high = int(font.getlength(words)) + 2, _SMALL * _FINER * 3 // 2
        slip = Image.new("RGB", (wide, high), (255, 255, 255))
        ImageDraw.Draw(slip).text((1, high // 2), words, font=font, fill=_INK, anchor="lm")
        turned = slip.transpose(Image.Transpose.ROTATE_90)
        left, top = middle[0] * _FINER - high / 2, middle[1] * _FINER - wide / 2
        self._image.paste(turned, (round(left), round(top)))

    def save(self, path: str) -> None:
        """Write it as a PNG in sRGB that says so and how large it is."""
        small = self._image.resize((WIDTH, HEIGHT), Image.Resampling.BOX)
        small.save(
            path, "PNG", dpi=(PPI, PPI), icc_profile=build_matrix_profile("srgb"), optimize=True
        )


def draw_gamut(task: GamutTask) -> GamutReport:
    """Draw what a profile can print beside sRGB and Adobe RGB, and give the figures.

    Raises:
        PictureFault: the profile would not be admitted.
        OSError: it cannot be read, or the drawing cannot be written.
    """
    data = Path(task.path).read_bytes()
    admitted = admit_profile(data)
    white, black = admitted.white_lab, admitted.black_lab_absolute
    if not admitted.accepted or white is None or black is None:
        raise PictureFault(" ".join(admitted.reasons))
    printer = solid_of(data)
    spaces = tuple(solid_of(build_matrix_profile(name)) for name in ("srgb", "adobe-rgb"))
    volumes = [volume_of(solid) / 1000 for solid in (printer, *spaces)]
    shares = [share * 100 for share in share_of(printer, spaces)]
    sheet = _Sheet()
    _write_head(sheet, task.heading, admitted, hashlib.sha256(data).hexdigest())
    _draw_sections(sheet, (printer, *spaces))
    _draw_greys(sheet, data)
    _write_figures(sheet, volumes, shares, white, black)
    sheet.save(task.drawing)
    return GamutReport(
        volume=f"{volumes[0]:.1f}",
        srgb_volume=f"{volumes[1]:.1f}",
        adobe_rgb_volume=f"{volumes[2]:.1f}",
        of_srgb=f"{shares[0]:.1f}",
        of_adobe_rgb=f"{shares[1]:.1f}",
        white=_figures(white),
        black=_figures(black),
    )


def _write_head(sheet: _Sheet, heading: str, admitted: Admission, sha256: str) -> None:
    sheet.text((_LEFT - 70, 84), _short(heading, 90), size=42)
    about = f"{_short(admitted.description, 60)}; version {admitted.version}; SHA-256 {sha256[:16]}"
    sheet.text((_LEFT - 70, 132), about, size=_SMALL, colour=_FAINT)
    at = _LEFT - 70.0
    for style, words in (
        (_PRINT, "this print, shaded"),
        (_SRGB, "sRGB"),
        (_ADOBE_RGB, "Adobe RGB (1998)"),
    ):
        sheet.line([(at, 181), (at + 96, 181)], style)
        at += 112
        at += sheet.text((at, 190), words) + 64


def _draw_sections(sheet: _Sheet, solids: tuple[Solid, ...]) -> None:
    sections = {level: [section_of(solid, level) for solid in solids] for level in LEVELS}
    every = [o for found in sections.values() for outlines in found for o in outlines]
    reach = float(20 * np.ceil((max(np.abs(o).max() for o in every) + 4) / 20))
    for number, level in enumerate(LEVELS):
        left = _LEFT + number * _PITCH
        panel = _Panel(left, _TOP, _SIDE, _SIDE, (-reach, reach), (-reach, reach))
        for outline in sections[level][0]:
            sheet.shade(_placed(panel, outline), _SHADE)
        _rule(sheet, panel, 40, 40)
        for outlines, style in zip(sections[level], (_PRINT, _SRGB, _ADOBE_RGB), strict=True):
            for outline in outlines:
                points = _placed(panel, outline)
                sheet.line([*points, points[0]], style)
        sheet.text((left + 16, _TOP + 38), f"L* {level}", size=30)
        sheet.text(
            (left + _SIDE / 2, _TOP + _SIDE + 66), "a*:  green to the left, red to the right",
            size=_SMALL, anchor="ms",
        )  # fmt: skip
    sheet.upright((_LEFT - 82, _TOP + _SIDE / 2), "b*:  blue below, yellow above")


def _draw_greys(sheet: _Sheet, data: bytes) -> None:
    """What comes of a picture's greys by the relative intent: their lightness and their tint."""
    lightness = np.linspace(0, 100, 101)
    greys = np.stack([lightness, 0 * lightness, 0 * lightness], axis=-1)
    as_is = lab_of_device(data, device_of_lab(data, greys))
    fitted = lab_of_device(data, device_of_lab(data, greys, fits_black=True))
    panel = _Panel(_LEFT, _LOWER, _SIDE, _LOW, (0, 100), (0, 100))
    _rule(sheet, panel, 20, 20)
    sheet.line([panel.at(0, 0), panel.at(100, 100)], _EVEN)
    for greys_out, style in ((as_is, _PRINT), (fitted, _FITTED)):
        _plot(sheet, panel, lightness, greys_out[:, 0], style)
    _key(sheet, (_LEFT + 250, _LOWER + _LOW - 118), (
        (_PRINT, "relative, as it is"), (_FITTED, "relative, black fitted (BPC)"),
        (_EVEN, "printed as asked"),
    ))  # fmt: skip
    _name_axes(sheet, panel, "Greys: L* asked", "L* printed")
    most = max(3.0, float(np.ceil(np.abs(np.concatenate([as_is, fitted])[:, 1:]).max() + 0.5)))
    panel = _Panel(_LEFT + _PITCH, _LOWER, _SIDE, _LOW, (0, 100), (-most, most))
    _rule(sheet, panel, 20, 1 if most <= 4 else 2 if most <= 10 else 10)
    for column, style in ((1, _Style(_VERMILLION, 4)), (2, _Style(_BLUE, 4, (20, 9)))):
        _plot(sheet, panel, lightness, as_is[:, column], style)
    _key(sheet, (_LEFT + _PITCH + 400, _LOWER + _LOW - 82), (
        (_Style(_VERMILLION, 4), "a*"), (_Style(_BLUE, 4, (20, 9)), "b*"),
    ))  # fmt: skip
    _name_axes(sheet, panel, "Greys, relative as it is: L* asked", "tint printed")


def _write_figures(
    sheet: _Sheet,
    volumes: list[float],
    shares: list[float],
    white: tuple[float, float, float],
    black: tuple[float, float, float],
) -> None:
    left, right = _LEFT + 2 * _PITCH - 20, _LEFT + 2 * _PITCH + _SIDE
    rows = (
        ("Volume, thousands of cubic Lab units", ""),
        ("   this print", f"{volumes[0]:,.0f}"),
        ("   sRGB", f"{volumes[1]:,.0f}"),
        ("   Adobe RGB", f"{volumes[2]:,.0f}"),
        ("Of their colours this print holds", ""),
        ("   of sRGB", f"{shares[0]:.0f} %"),
        ("   of Adobe RGB", f"{shares[1]:.0f} %"),
        ("As an instrument reads it (L*, a*, b*)", ""),
        ("   paper white", _triple(white)),
        ("   darkest print", _triple(black)),
    )
    y = _LOWER + 24
    for words, figure in rows:
        y += 0 if figure else 10
        sheet.text((left, y), words, size=_TEXT)
        sheet.text((right, y), figure, size=_TEXT, anchor="rs")
        y += 42
    note = "CIELAB, D50. Sections, volumes and greys count the paper as white."
    sheet.text((left, _LOWER + _LOW + 66), note, size=18, colour=_FAINT)


def _rule(sheet: _Sheet, panel: _Panel, across: float, up: float) -> None:
    """Draw a panel's grid with its numbers, and its frame."""
    right, bottom = panel.left + panel.width, panel.top + panel.height
    for value in _marks(panel.across, across):
        x, _ = panel.at(value, panel.up[0])
        strong = value == 0 and panel.across[0] < 0
        sheet.line([(x, panel.top), (x, bottom)], _Style(_FAINT if strong else _GRID, 1.5))
        sheet.text((x, bottom + 32), _number(value), size=_SMALL, anchor="ms")
    for value in _marks(panel.up, up):
        _, y = panel.at(panel.across[0], value)
        strong = value == 0 and panel.up[0] < 0
        sheet.line([(panel.left, y), (right, y)], _Style(_FAINT if strong else _GRID, 1.5))
        sheet.text((panel.left - 12, y), _number(value), size=_SMALL, anchor="rm")
    frame = [(panel.left, panel.top), (right, panel.top), (right, bottom), (panel.left, bottom)]
    for start, end in pairwise([*frame, frame[0]]):
        sheet.line([start, end], _Style(_FAINT, 1.5))


def _marks(ends: tuple[float, float], step: float) -> list[float]:
    first, last = int(np.ceil(ends[0] / step)), int(np.floor(ends[1] / step))
    return [number * step for number in range(first, last + 1)]


def _number(value: float) -> str:
    return f"{value:.0f}"


def _key(sheet: _Sheet, at: Point, entries: tuple[tuple[_Style, str], ...]) -> None:
    for row, (style, words) in enumerate(entries):
        y = at[1] + row * 38
        sheet.line([(at[0], y), (at[0] + 70, y)], style)
        sheet.text((at[0] + 84, y + 8), words, size=_SMALL)


def _name_axes(sheet: _Sheet, panel: _Panel, across: str, up: str) -> None:
    bottom = panel.top + panel.height
    sheet.text((panel.left + panel.width / 2, bottom + 66), across, size=_SMALL, anchor="ms")
    sheet.upright((panel.left - 82, panel.top + panel.height / 2), up)


def _plot(sheet: _Sheet, panel: _Panel, xs: Floats, ys: Floats, style: _Style) -> None:
    sheet.line([panel.at(x, y) for x, y in zip(xs.tolist(), ys.tolist(), strict=True)], style)


def _placed(panel: _Panel, outline: Floats) -> list[Point]:
    return [panel.at(a, b) for a, b in outline.tolist()]


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


def _short(words: str, most: int) -> str:
    words = in_letters(words)
    return words if len(words) <= most else f"{words[: most - 1]}…"


def _triple(lab: tuple[float, float, float]) -> str:
    return ",  ".join(_figures(lab))


def _figures(lab: tuple[float, float, float]) -> tuple[str, str, str]:
    lightness, a, b = (f"{round(value, 1) + 0.0:.1f}" for value in lab)
    return lightness, a, b
