"""Draw an original small, upright and in sRGB, with the choices that a person has.

This must work for whatever can be decoded, so nothing here is refused that a print would refuse:
damage is shown as it decodes, and a profile that cannot be used is left aside.
"""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pyvips
from PIL import Image, ImageDraw

from platemark.imaging.convert import path_of
from platemark.imaging.drawing import (
    LARGEST_SIDE_PX,
    MAT,
    STYLES,
    draw_box,
    lettering,
    save_jpeg,
)
from platemark.imaging.from_lab import real_lab
from platemark.imaging.icc import ProfileDamage, build_matrix_profile, parse_profile
from platemark.imaging.source import embedded_profile, upright
from platemark.imaging.steps import PictureFault
from platemark.model.terms import Box
from platemark.model.work import Choice, PreviewReport, PreviewTask

_INTERPRETATIONS = {"RGB": 3, "GRAY": 1}
_SINGLE_PX = 900
_GAP_PX = 24
_CAPTION_PX = 44
_LIGHT_OUTSIDE = 0.35
"""How much is left of the picture's light outside a crop."""
_OUTLINE = (24, 24, 24)


def preview(task: PreviewTask) -> PreviewReport:
    """Draw the picture once for each choice, side by side, or alone where there is none.

    Raises:
        PictureFault: nothing of the picture can be decoded.
    """
    count = max(1, len(task.choices))
    room = min(_SINGLE_PX, (LARGEST_SIDE_PX - _GAP_PX * (count + 1)) // count)
    try:
        picture, upright_width = small_upright(task, room)
    except pyvips.Error as error:
        raise PictureFault("The picture cannot be decoded, so it cannot be shown.") from error
    scale = picture.width / upright_width
    if not task.choices:
        if task.part is not None:
            picture = picture.crop(_scaled(task.part, scale))
        sheet = _side_by_side([picture], [])
    else:
        panels = [
            _bordered_panel(picture, scale, choice, room)
            if choice.bordered
            else _cropped_panel(picture, scale, choice)
            for choice in task.choices
        ]
        sheet = _side_by_side(panels, [choice.label for choice in task.choices])
    save_jpeg(sheet, task.drawing)
    return PreviewReport(sheet.width, sheet.height)


def small_upright(task: PreviewTask, room: int) -> tuple[Image.Image, int]:
    """The picture in sRGB within `room` px a side, and how wide it is in full.

    Raises:
        pyvips.Error: nothing of it can be decoded.
    """
    header = pyvips.Image.new_from_file(task.original, access="sequential")
    profile = embedded_profile(header)
    if not profile and task.source_profile:
        profile = Path(task.source_profile).read_bytes()
    full_width = header.height if task.orientation >= 5 else header.width
    # The library makes small pictures 8 bit, which is enough to look at. It converts from CMYK
    # and Lab by itself; the profile is left to us.
    if task.is_icc_lab:
        plain = real_lab(header).colourspace("srgb")
        small = plain.thumbnail_image(room, height=room, size="down", no_rotate=True)
    else:
        small = pyvips.Image.thumbnail(
            task.original, room, height=room, size="down", no_rotate=True, **_from_cmyk(header)
        )
        small = _in_srgb(small, header, profile)
    if small.hasalpha():
        small = small.flatten(background=255)
    small = upright(small.copy_memory(), task.orientation)
    if small.bands == 1:
        small = small.bandjoin([small, small])
    pixels = np.ascontiguousarray(small.extract_band(0, n=3).cast("uchar").numpy())
    return Image.fromarray(pixels), full_width


def _from_cmyk(header: pyvips.Image) -> dict[str, str]:
    return {"export_profile": "srgb"} if header.interpretation == "cmyk" else {}


def _in_srgb(small: pyvips.Image, header: pyvips.Image, profile: bytes) -> pyvips.Image:
    """Convert by the profile where it can be used; else show the values as sRGB."""
    colour = 1 if small.bands < 3 else 3
    try:
        space = parse_profile(profile).header.colour_space
    except ProfileDamage:
        return small
    if _INTERPRETATIONS.get(space) != colour or header.interpretation in ("cmyk", "lab", "labs"):
        return small
    plain = small.extract_band(0, n=colour)
    try:
        converted = plain.icc_transform(
            path_of(build_matrix_profile("srgb")),
            input_profile=path_of(profile),
            embedded=False,
            intent="relative",
            black_point_compensation=True,
        ).copy_memory()
    except pyvips.Error:
        return small
    return converted.bandjoin(small[colour]) if small.bands > colour else converted


def _scaled(part: Box, scale: float) -> tuple[int, int, int, int]:
    """A part of the picture in a drawing of it: left, top, right, bottom."""
    right, bottom = part.left + part.width, part.top + part.height
    return (
        round(part.left * scale),
        round(part.top * scale),
        round(right * scale),
        round(bottom * scale),
    )


def _cropped_panel(picture: Image.Image, scale: float, choice: Choice) -> Image.Image:
    """The whole picture, with what a crop takes away darkened."""
    kept = choice.kept
    left, top = round(kept.left * scale), round(kept.top * scale)
    right = min(picture.width, round((kept.left + kept.width) * scale))
    bottom = min(picture.height, round((kept.top + kept.height) * scale))
    panel = picture.point(lambda value: round(value * _LIGHT_OUTSIDE))
    panel.paste(picture.crop((left, top, right, bottom)), (left, top))
    draw_box(ImageDraw.Draw(panel), Box(left, top, right - left, bottom - top), STYLES["crop"])
    return panel


def _bordered_panel(picture: Image.Image, scale: float, choice: Choice, room: int) -> Image.Image:
    """The whole picture on white paper of the choice's proportion."""
    fit = min(room / choice.width, room / choice.height)
    paper = Image.new(
        "RGB", (max(1, round(choice.width * fit)), max(1, round(choice.height * fit))), "white"
    )
    kept = choice.kept
    part = picture.crop(_scaled(kept, scale))
    grow = min(paper.width / part.width, paper.height / part.height)
    part = part.resize(
        (max(1, round(part.width * grow)), max(1, round(part.height * grow))),
        Image.Resampling.LANCZOS,
    )
    paper.paste(part, ((paper.width - part.width) // 2, (paper.height - part.height) // 2))
    ImageDraw.Draw(paper).rectangle(
        [0, 0, paper.width - 1, paper.height - 1], outline=_OUTLINE, width=1
    )
    return paper


def _side_by_side(panels: list[Image.Image], captions: list[str]) -> Image.Image:
    caption_px = _CAPTION_PX if captions else _GAP_PX
    width = sum(panel.width for panel in panels) + _GAP_PX * (len(panels) + 1)
    tallest = max(panel.height for panel in panels)
    sheet = Image.new("RGB", (width, tallest + _GAP_PX + caption_px), MAT)
    pen = ImageDraw.Draw(sheet)
    left = _GAP_PX
    for at, panel in enumerate(panels):
        top = _GAP_PX + (tallest - panel.height) // 2
        sheet.paste(panel, (left, top))
        if captions:
            pen.text(
                (left + panel.width // 2, _GAP_PX + tallest + _CAPTION_PX // 2),
                captions[at],
                font=lettering(26),
                fill=(255, 255, 255),
                anchor="mm",
            )
        left += panel.width + _GAP_PX
    return sheet
