"""What a printer profile can print, on one sheet: three sections, its greys, its figures.

The sheet is A4 across at 200 ppi.
"""

from __future__ import annotations

import hashlib
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from platemark.imaging.admission import Admission, admit_profile, device_of_lab, lab_of_device
from platemark.imaging.chart_sheet import (
    BLUE,
    FAINT,
    INK,
    SHADE,
    SMALL,
    TEXT,
    VERMILLION,
    Panel,
    Point,
    Sheet,
    Style,
    key,
    name_axes,
    rule,
)
from platemark.imaging.gamut import Solid, section_of, share_of, solid_of, volume_of
from platemark.imaging.icc import build_matrix_profile
from platemark.imaging.letters import in_letters
from platemark.imaging.steps import PictureFault
from platemark.model.work import GamutReport, GamutTask

Floats = NDArray[np.float64]

WIDTH, HEIGHT = 2340, 1654
LEVELS = (30, 50, 70)

_LEFT, _PITCH, _SIDE = 150, 750, 640
_TOP, _LOWER, _LOW = 262, 1046, 450

_PRINT = Style(INK, 4)
_SRGB = Style(BLUE, 4, (20, 9))
_ADOBE_RGB = Style(VERMILLION, 4.5, (4.5, 8))
_FITTED = Style(BLUE, 4, (20, 9))
_EVEN = Style(FAINT, 2, (3, 9))


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
    sheet = Sheet(WIDTH, HEIGHT)
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


def _write_head(sheet: Sheet, heading: str, admitted: Admission, sha256: str) -> None:
    sheet.text((_LEFT - 70, 84), _short(heading, 90), size=42)
    about = f"{_short(admitted.description, 60)}; version {admitted.version}; SHA-256 {sha256[:16]}"
    sheet.text((_LEFT - 70, 132), about, size=SMALL, colour=FAINT)
    at = _LEFT - 70.0
    for style, words in (
        (_PRINT, "this print, shaded"),
        (_SRGB, "sRGB"),
        (_ADOBE_RGB, "Adobe RGB (1998)"),
    ):
        sheet.line([(at, 181), (at + 96, 181)], style)
        at += 112
        at += sheet.text((at, 190), words) + 64


def _draw_sections(sheet: Sheet, solids: tuple[Solid, ...]) -> None:
    sections = {level: [section_of(solid, level) for solid in solids] for level in LEVELS}
    every = [o for found in sections.values() for outlines in found for o in outlines]
    reach = float(20 * np.ceil((max(np.abs(o).max() for o in every) + 4) / 20))
    for number, level in enumerate(LEVELS):
        left = _LEFT + number * _PITCH
        panel = Panel(left, _TOP, _SIDE, _SIDE, (-reach, reach), (-reach, reach))
        for outline in sections[level][0]:
            sheet.shade(_placed(panel, outline), SHADE)
        rule(sheet, panel, 40, 40)
        for outlines, style in zip(sections[level], (_PRINT, _SRGB, _ADOBE_RGB), strict=True):
            for outline in outlines:
                points = _placed(panel, outline)
                sheet.line([*points, points[0]], style)
        sheet.text((left + 16, _TOP + 38), f"L* {level}", size=30)
        sheet.text(
            (left + _SIDE / 2, _TOP + _SIDE + 66), "a*:  green to the left, red to the right",
            size=SMALL, anchor="ms",
        )  # fmt: skip
    sheet.upright((_LEFT - 82, _TOP + _SIDE / 2), "b*:  blue below, yellow above")


def _draw_greys(sheet: Sheet, data: bytes) -> None:
    """What comes of a picture's greys by the relative intent: their lightness and their tint."""
    lightness = np.linspace(0, 100, 101)
    greys = np.stack([lightness, 0 * lightness, 0 * lightness], axis=-1)
    as_is = lab_of_device(data, device_of_lab(data, greys))
    fitted = lab_of_device(data, device_of_lab(data, greys, fits_black=True))
    panel = Panel(_LEFT, _LOWER, _SIDE, _LOW, (0, 100), (0, 100))
    rule(sheet, panel, 20, 20)
    sheet.line([panel.at(0, 0), panel.at(100, 100)], _EVEN)
    for greys_out, style in ((as_is, _PRINT), (fitted, _FITTED)):
        _plot(sheet, panel, lightness, greys_out[:, 0], style)
    key(sheet, (_LEFT + 250, _LOWER + _LOW - 118), (
        (_PRINT, "relative, as it is"), (_FITTED, "relative, black fitted (BPC)"),
        (_EVEN, "printed as asked"),
    ))  # fmt: skip
    name_axes(sheet, panel, "Greys: L* asked", "L* printed")
    most = max(3.0, float(np.ceil(np.abs(np.concatenate([as_is, fitted])[:, 1:]).max() + 0.5)))
    panel = Panel(_LEFT + _PITCH, _LOWER, _SIDE, _LOW, (0, 100), (-most, most))
    rule(sheet, panel, 20, 1 if most <= 4 else 2 if most <= 10 else 10)
    for column, style in ((1, Style(VERMILLION, 4)), (2, Style(BLUE, 4, (20, 9)))):
        _plot(sheet, panel, lightness, as_is[:, column], style)
    key(sheet, (_LEFT + _PITCH + 400, _LOWER + _LOW - 82), (
        (Style(VERMILLION, 4), "a*"), (Style(BLUE, 4, (20, 9)), "b*"),
    ))  # fmt: skip
    name_axes(sheet, panel, "Greys, relative as it is: L* asked", "tint printed")


def _write_figures(
    sheet: Sheet,
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
        sheet.text((left, y), words, size=TEXT)
        sheet.text((right, y), figure, size=TEXT, anchor="rs")
        y += 42
    note = "CIELAB, D50. Sections, volumes and greys count the paper as white."
    sheet.text((left, _LOWER + _LOW + 66), note, size=18, colour=FAINT)


def _plot(sheet: Sheet, panel: Panel, xs: Floats, ys: Floats, style: Style) -> None:
    sheet.line([panel.at(x, y) for x, y in zip(xs.tolist(), ys.tolist(), strict=True)], style)


def _placed(panel: Panel, outline: Floats) -> list[Point]:
    return [panel.at(a, b) for a, b in outline.tolist()]


def _short(words: str, most: int) -> str:
    words = in_letters(words)
    return words if len(words) <= most else f"{words[: most - 1]}…"


def _triple(lab: tuple[float, float, float]) -> str:
    return ",  ".join(_figures(lab))


def _figures(lab: tuple[float, float, float]) -> tuple[str, str, str]:
    lightness, a, b = (f"{round(value, 1) + 0.0:.1f}" for value in lab)
    return lightness, a, b
