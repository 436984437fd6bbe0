"""Soft proofs of one picture side by side on a mid grey mat, best first, the picture itself ahead.

Every proof is drawn at the same scale of the print, as far as their proportions allow, so that the
eye compares surfaces and not sizes.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import ceil, sqrt
from pathlib import Path

import pyvips
from PIL import Image, ImageDraw, ImageFont

from platemark.imaging.drawing import MAT, lettering
from platemark.imaging.icc import build_matrix_profile
from platemark.imaging.letters import in_letters
from platemark.imaging.preview import small_upright
from platemark.imaging.steps import PictureFault
from platemark.model.work import BesideReport, BesideTask

_WIDEST_PX = 3000
_LARGEST_PX = 700
"""Of a proof, on either side."""
_MARGIN_PX, _GAP_PX = 48, 40
_HEAD_PX, _CAPTION_PX = 92, 122
_TITLE, _HEADING, _LINE = 38, 29, 23
_LINES = 2
_WIDE_FOR_HIGH = 1.9
"""Proportion that the whole sheet comes near to."""
_INK, _FAINT = (255, 255, 255), (232, 232, 232)

Font = ImageFont.FreeTypeFont | ImageFont.ImageFont


@dataclass(frozen=True, slots=True)
class Cell:
    """One proof with its words; without a picture where there is none to show."""

    picture: Image.Image | None
    heading: str
    line: str


def draw_beside(task: BesideTask) -> BesideReport:
    """Draw the sheet.

    Raises:
        PictureFault: the original cannot be decoded.
    """
    try:
        original, _ = small_upright(task.original, _LARGEST_PX)
    except pyvips.Error as error:
        raise PictureFault("The picture cannot be decoded, so it cannot be shown.") from error
    cells = [Cell(original, "The picture itself", "on a good screen, no print")]
    for panel in task.panels:
        shown = _opened(panel.picture) if panel.picture else None
        cells.append(Cell(shown, panel.heading, panel.line))
    sheet = side_by_side(cells, task.heading)
    sheet.save(task.drawing, "PNG", icc_profile=build_matrix_profile("srgb"))
    return BesideReport(sheet.width, sheet.height)


def _opened(path: str) -> Image.Image:
    with Image.open(Path(path), formats=("PNG",)) as file:
        return file.convert("RGB")


def side_by_side(cells: list[Cell], heading: str) -> Image.Image:
    """Pictures in a row or several, each with its words below, on a mid grey mat."""
    shown = [cell.picture for cell in cells if cell.picture is not None]
    proportion = max(picture.width for picture in shown) / max(picture.height for picture in shown)
    columns = _columns(len(cells), proportion)
    rows = ceil(len(cells) / columns)
    room = (_WIDEST_PX - 2 * _MARGIN_PX - (columns - 1) * _GAP_PX) // columns
    wide = min(room, _LARGEST_PX)
    high = min(_LARGEST_PX, ceil(wide / proportion))
    sheet = Image.new(
        "RGB",
        (
            2 * _MARGIN_PX + columns * wide + (columns - 1) * _GAP_PX,
            _HEAD_PX + rows * (high + _CAPTION_PX) + _MARGIN_PX,
        ),
        MAT,
    )
    pen = ImageDraw.Draw(sheet)
    title = _fitted(heading, lettering(_TITLE), sheet.width - 2 * _MARGIN_PX)
    pen.text((_MARGIN_PX, _HEAD_PX // 2), title, font=lettering(_TITLE), fill=_INK, anchor="lm")
    for at, cell in enumerate(cells):
        left = _MARGIN_PX + at % columns * (wide + _GAP_PX)
        top = _HEAD_PX + at // columns * (high + _CAPTION_PX)
        if cell.picture is not None:
            _paste(sheet, cell.picture, (left, top), (wide, high))
        _write(pen, cell, (left, top + high + 12), wide)
    return sheet


def _columns(count: int, proportion: float) -> int:
    """As many that the sheet is about as wide as a screen, with the fewest places left empty."""
    best = sqrt(count * _WIDE_FOR_HIGH / proportion)
    near = range(max(1, round(best * 0.8)), max(1, round(best * 1.3)) + 1)
    return min(count, min(near, key=lambda columns: (-count % columns, abs(columns - best))))


def _paste(
    sheet: Image.Image, picture: Image.Image, at: tuple[int, int], room: tuple[int, int]
) -> None:
    """Put a picture on the sheet, its foot on the caption and its left edge above the words."""
    scale = min(room[0] / picture.width, room[1] / picture.height)
    size = (max(1, round(picture.width * scale)), max(1, round(picture.height * scale)))
    fitted = picture.resize(size, Image.Resampling.LANCZOS)
    sheet.paste(fitted, (at[0], at[1] + room[1] - size[1]))


def _write(pen: ImageDraw.ImageDraw, cell: Cell, at: tuple[int, int], wide: int) -> None:
    font = lettering(_HEADING)
    pen.text(at, _fitted(cell.heading, font, wide), font=font, fill=_INK)
    font = lettering(_LINE)
    for number, line in enumerate(_lines(cell.line, font, wide)):
        place = (at[0], at[1] + _HEADING + 10 + number * (_LINE + 5))
        pen.text(place, line, font=font, fill=_FAINT)


def _lines(words: str, font: Font, wide: int) -> list[str]:
    """Break words into lines of that width; the last one is cut short where they do not end."""
    lines, rest = [""], in_letters(words).split()
    while rest:
        longer = f"{lines[-1]} {rest[0]}".strip()
        if font.getlength(longer) > wide and lines[-1]:
            if len(lines) == _LINES:
                lines[-1] = _fitted(" ".join([lines[-1], *rest]), font, wide)
                break
            lines.append("")
            continue
        lines[-1] = longer
        rest.pop(0)
    return lines


def _fitted(words: str, font: Font, wide: int) -> str:
    """Words cut to a width, in letters that the typeface has."""
    words = in_letters(words)
    if font.getlength(words) <= wide:
        return words
    while words and font.getlength(f"{words}…") > wide:
        words = words[:-1]
    return f"{words.rstrip()}…"
