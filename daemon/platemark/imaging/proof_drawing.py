"""The proof sheet of a job: the picture as it came and as it will print, and what becomes of it.

Everything stands on mid grey, because a bright page makes every print look dull. A picture across
has its drawings two by two, one upright has them side by side with its lightness below.
"""

from __future__ import annotations

from dataclasses import dataclass
from decimal import Decimal
from typing import Final

import numpy as np
import pyvips
from PIL import Image, ImageDraw

from platemark.imaging.drawing import MAT, lettering
from platemark.imaging.icc import build_matrix_profile
from platemark.imaging.letters import in_letters
from platemark.imaging.light import lab_of, light_of
from platemark.imaging.overview import Floats, Overview, Pixels
from platemark.imaging.proof import CHANGED, Printed, Proof, Shown, on_display
from platemark.imaging.proof_chart import change_map, draw_scale, lightness_chart, said
from platemark.imaging.source import upright
from platemark.imaging.to_lab import LabOf
from platemark.model.work import Measuring

PANEL_PX: Final = 700
"""Longest side of a soft proof that stands alone."""
SHEET_PX: Final = 1600
"""Width of a sheet."""

_MARGIN, _GAP = 28, 24
_HEAD_PX = 70
_TALLEST = 720
_CHART_PX = 300
_FLATTEST = 1.25
"""Width by height from which drawings stand two by two."""
_HEADING, _WORDS, _LEADING = 27, 21, 28
_LONGEST: Final = 60
"""Letters of a surface's name."""
_INK, _SOFT = (255, 255, 255), (228, 228, 228)
_QUALITY: Final = 84


@dataclass(frozen=True, slots=True)
class ProofFigures:
    """What the sheet says in numbers, as they are recorded."""

    changed_percent: str
    other_intent_percent: str | None


@dataclass(frozen=True, slots=True)
class _Small:
    """The picture, upright and small; planes of shape (height, width, …)."""

    codes: Pixels
    lab: Floats
    came: Shown
    """Before any adjustment, for a display."""


@dataclass(frozen=True, slots=True)
class _Panel:
    """One drawing with its words."""

    drawing: Image.Image
    heading: str
    words: str
    has_scale: bool = False


def draw_panel(overview: Overview, proof: Proof, path: str) -> None:
    """Draw the soft proof alone, at most 700 px a side: a PNG in sRGB.

    Args:
        overview: The picture, as it lies in its file.
        proof: What it is printed by.
        path: Where to write it.
    """
    small = _small(overview, proof, PANEL_PX, PANEL_PX)
    shown = proof.printed(proof.drawn(small.codes, small.lab)).shown
    Image.fromarray(shown).save(path, "PNG", icc_profile=build_matrix_profile("srgb"))


def draw_sheet(overview: Overview, proof: Proof, figures: ProofFigures, path: str) -> None:
    """Draw the proof sheet of a job: a JPEG in sRGB, 1,600 px wide.

    Args:
        overview: The picture, as it lies in its file.
        proof: What it is printed by.
        figures: What was measured of the same.
        path: Where to write it.
    """
    other = _other(proof, figures)
    count = 3 if other is None else 4
    placed = proof.measuring.placed
    columns = 2 if placed.width >= placed.height * _FLATTEST else count
    width = (SHEET_PX - 2 * _MARGIN - (columns - 1) * _GAP) // columns
    small = _small(overview, proof, width, _TALLEST)
    printed = proof.printed(proof.drawn(small.codes, small.lab))
    panels = [
        _Panel(Image.fromarray(small.came), "As it came", _came_words(proof.measuring)),
        _Panel(Image.fromarray(printed.shown), "As it will print", _print_words(proof)),
    ]
    if other is not None:
        panels.append(_other_panel(other, small, figures))
    panels.append(_map_panel(proof, small, printed, figures))
    chart = _chart_panel(proof, small, printed, _chart_size(columns, count, width, small))
    _assemble([*panels, chart], proof.measuring, columns, width).save(
        path, "JPEG", quality=_QUALITY, icc_profile=build_matrix_profile("srgb")
    )


def _other(proof: Proof, figures: ProofFigures) -> Proof | None:
    """The other intent, where the picture looks otherwise by it."""
    share = figures.other_intent_percent
    if share is None or Decimal(share) <= Decimal(proof.measuring.show_other_intent_from):
        return None
    return proof.with_other_intent()


def _small(overview: Overview, proof: Proof, width: int, height: int) -> _Small:
    """Bring the picture into a box, upright."""
    source = LabOf(proof.conversion.source)
    codes = _reduced(overview.codes, proof.measuring, width, height)
    lab = np.stack(source(codes), axis=-1)
    came = lab
    if overview.as_came is not None:
        before = _reduced(overview.as_came, proof.measuring, width, height)
        came = np.stack(source(before), axis=-1)
    return _Small(codes, lab, on_display(light_of(came)))


def _reduced(codes: Pixels, measuring: Measuring, width: int, height: int) -> Pixels:
    first, *others = (pyvips.Image.new_from_array(plane) for plane in codes)
    picture = upright(first.bandjoin(others) if others else first, measuring.orientation)
    across, down = measuring.placed.width, measuring.placed.height
    scale = min(width / across, height / down)
    wide, high = (max(1, round(side * scale)) for side in (across, down))
    if (wide, high) != (picture.width, picture.height):
        kernel = "cubic" if wide < picture.width else "linear"
        # In floats, or white would not stay white.
        picture = picture.cast("float").resize(
            wide / picture.width, vscale=high / picture.height, kernel=kernel
        )
    samples = picture.rint().cast("ushort").numpy()
    return np.ascontiguousarray(samples.reshape(picture.height, picture.width, -1))


def _came_words(measuring: Measuring) -> str:
    adjusted = "" if measuring.adjust is None else ", before the tonal adjustment"
    return f"On a display whose white is L* 100{adjusted}."


def _print_words(proof: Proof) -> str:
    measuring = proof.measuring
    white, black = white_and_black(proof)
    ends = f"white {_lightness(white)}, deepest black {_lightness(black)}"
    if not measuring.by_lab_profile:
        metal = " Bare metal shines and changes as you walk past; no display shows that."
        told = f"Told from the surface's white and black alone: {ends}; the lab converts."
        return told + (metal if measuring.bare_metal else "")
    return f"By the lab's profile, {intent_words(proof)}: {ends}."


def _other_panel(other: Proof, small: _Small, figures: ProofFigures) -> _Panel:
    shown = other.printed(other.drawn(small.codes, small.lab)).shown
    share = _figure(figures.other_intent_percent or "0")
    return _Panel(
        Image.fromarray(shown),
        f"With {other.conversion.intent}",
        f"{share} % of the picture looks otherwise, by more than 3, by the {intent_words(other)}.",
    )


def _map_panel(proof: Proof, small: _Small, printed: Printed, figures: ProofFigures) -> _Panel:
    changes = proof.changes(small.lab, printed)
    share = _figure(figures.changed_percent)
    share = "Nothing" if not float(figures.changed_percent) else f"{share} % of the picture"
    found = f"{share} changes by more than {CHANGED:.0f} (CIEDE2000). "
    how = "Each side counts from its own white and black, so paper alone changes nothing."
    if not proof.measuring.by_lab_profile:
        how = "Only what the file loses before the lab is shown; the lab's conversion is not known."
    drawing = Image.fromarray(change_map(small.lab[..., 0], changes))
    return _Panel(drawing, "What changes", found + how, has_scale=True)


def _chart_panel(proof: Proof, small: _Small, printed: Printed, size: tuple[int, int]) -> _Panel:
    measuring = proof.measuring
    chart = lightness_chart(
        size,
        small.lab[..., 0],
        printed.lightness,
        float(measuring.black_l),
        float(measuring.white_l),
    )
    return _Panel(chart, "Lightness", "Marked: the surface's own black and white.")


def _chart_size(columns: int, count: int, width: int, small: _Small) -> tuple[int, int]:
    """Beside the last drawing where there is room, else below all of them."""
    if count % columns:
        return width, max(small.codes.shape[0], _CHART_PX)
    return SHEET_PX - 2 * _MARGIN, _CHART_PX


def white_and_black(proof: Proof) -> tuple[float, float]:
    """L* of the bare surface and of its deepest black, beside a perfect white."""
    white = lab_of(proof.white)
    black = lab_of(proof.white * np.float32(proof.black))
    return float(white[0]), float(black[0])


def intent_words(proof: Proof) -> str:
    """The rendering intent as the ticket calls it."""
    conversion = proof.conversion
    if conversion.intent != "relative":
        return f"{conversion.intent} intent"
    compensated = "with" if conversion.black_point_compensation else "without"
    return f"relative intent {compensated} black point compensation"


def _lightness(value: float) -> str:
    return f"L*\N{NO-BREAK SPACE}{said(value)}"


def _figure(percent: str) -> str:
    """A percentage for people: one decimal, whole from ten on."""
    value = Decimal(percent)
    return f"{value:.0f}" if value >= 10 else f"{value:.1f}"


def _assemble(panels: list[_Panel], measuring: Measuring, columns: int, width: int) -> Image.Image:
    rows = [panels[at : at + columns] for at in range(0, len(panels), columns)]
    heights = [
        max(each.drawing.height for each in row)
        + max(_words_px(each, width if len(row) > 1 else each.drawing.width) for each in row)
        for row in rows
    ]
    height = _HEAD_PX + sum(heights) + (len(rows) - 1) * _GAP + _MARGIN
    sheet = Image.new("RGB", (SHEET_PX, height), MAT)
    pen = ImageDraw.Draw(sheet)
    name = in_letters(measuring.surface_name)
    name = name if len(name) <= _LONGEST else f"{name[: _LONGEST - 1]}…"
    pen.text(
        (_MARGIN, 35), f"How it will look on: {name}", font=lettering(30), fill=_INK, anchor="lm"
    )
    pen.text((SHEET_PX - _MARGIN, 35), "Screen preview, not a contract proof",
             font=lettering(_WORDS), fill=_SOFT, anchor="rm")  # fmt: skip
    top = _HEAD_PX
    for row, high in zip(rows, heights, strict=True):
        _put_row(sheet, row, top, width)
        top += high + _GAP
    return sheet


def _put_row(sheet: Image.Image, row: list[_Panel], top: int, width: int) -> None:
    pen = ImageDraw.Draw(sheet)
    tallest = max(each.drawing.height for each in row)
    for number, panel in enumerate(row):
        left = _MARGIN + number * (width + _GAP)
        room = max(width, panel.drawing.width)
        sheet.paste(panel.drawing, (left + (room - panel.drawing.width) // 2, top))
        y = top + tallest + 12
        pen.text((left, y), panel.heading, font=lettering(_HEADING), fill=_INK, anchor="la")
        y += 40
        for line in _wrapped(panel.words, room):
            pen.text((left, y), line, font=lettering(_WORDS), fill=_SOFT, anchor="la")
            y += _LEADING
        if panel.has_scale:
            draw_scale(pen, left, y + 8, min(width, 480))


def _words_px(panel: _Panel, width: int) -> int:
    lines = len(_wrapped(panel.words, width))
    return 12 + 40 + lines * _LEADING + (58 if panel.has_scale else 0)


def _wrapped(words: str, width: int) -> list[str]:
    """Break words into lines that fit."""
    font, lines = lettering(_WORDS), [""]
    for word in words.split(" "):
        longer = f"{lines[-1]} {word}".strip()
        if lines[-1] and font.getlength(longer) > width:
            lines.append(word)
        else:
            lines[-1] = longer
    # The typeface has no such space.
    return [line.replace("\N{NO-BREAK SPACE}", " ") for line in lines]
