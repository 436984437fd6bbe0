"""The ticket's picture: the whole document small, in sRGB, with the lines that matter on it.

A line is told by its dashes first and its colour second, and each is light on a dark casing, so
that it is seen on any picture and by any eye. The colours are from the palette of Okabe and Ito
(2002, revised 2008; values from memory), which colour-blind people can tell apart.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache
from itertools import pairwise

import numpy as np
import pyvips
from PIL import Image, ImageDraw, ImageFont

from platemark.imaging.convert import path_of
from platemark.imaging.edges import is_bordered, solid_colour
from platemark.imaging.face_reader import FaceReader
from platemark.imaging.icc import build_matrix_profile
from platemark.imaging.slug import slug_of
from platemark.imaging.source import Profile, named_16_bit
from platemark.model.patch_strip import StripPlan
from platemark.model.plan import Plan
from platemark.model.terms import Box
from platemark.model.work import Line

LARGEST_SIDE_PX = 1200
MAT = (118, 118, 118)
"""Mid grey, L* 50: it shows white paper and black edges alike."""
_INK = (255, 255, 255)
_CASING = (24, 24, 24)

_SIDE_PX, _TOP_PX, _BOTTOM_PX = 30, 46, 46
_LEGEND_PX, _SAMPLE_PX = 16, 46
_HEAD_PX = 12
_JPEG_QUALITY = 88


@dataclass(frozen=True, slots=True)
class LineStyle:
    """How one kind of line is drawn."""

    word: str
    """What the legend calls it."""
    colour: tuple[int, int, int]
    dashes: tuple[int, ...]
    """Lengths on and off, px; empty for a solid line."""
    width: int = 2
    arrow: bool = False
    """A line with a head at both ends, along the longer side of its box."""


STYLES: dict[str, LineStyle] = {
    "trim": LineStyle("trim", (255, 255, 255), ()),
    "sheet": LineStyle("sheet", (255, 255, 255), ()),
    "bleed": LineStyle("bleed edge", (230, 159, 0), (18, 5, 3, 5)),
    "fold": LineStyle("fold", (240, 228, 66), (14, 8)),
    "safe": LineStyle("keep inside", (86, 180, 233), (3, 6)),
    "crop": LineStyle("crop", (255, 255, 255), ()),
    "brush": LineStyle("lines run this way", (204, 121, 167), (), arrow=True),
}


def draw_print(
    face: FaceReader, plan: Plan, source: Profile, lines: tuple[Line, ...], path: str
) -> None:
    """Draw the document as it will be printed.

    Args:
        face: The picture as placed.
        plan: Says where it lies and what is around it.
        source: What the face's samples mean.
        lines: Boxes in document pixels, before any mirroring.
        path: JPEG to write.
    """
    scale = scale_of(plan)
    document = _small_document(face, plan, source, scale)
    _draw_slug(document, plan, scale)
    if plan.strip is not None:
        document = _with_strip(document, plan.strip, scale)
    draw_document(document, plan, lines, path)


def scale_of(plan: Plan) -> float:
    """How much smaller than its print a document is drawn."""
    room_w, room_h = LARGEST_SIDE_PX - 2 * _SIDE_PX, LARGEST_SIDE_PX - _TOP_PX - _BOTTOM_PX
    return min(room_w / plan.width_px, room_h / plan.height_px, 1)


def draw_document(document: Image.Image, plan: Plan, lines: tuple[Line, ...], path: str) -> None:
    """Put the lines on a small document, turn it where it is mirrored, and frame it.

    Args:
        document: In sRGB, at `scale_of`, not mirrored.
        plan: Says whether it is mirrored.
        lines: Boxes in document pixels, before any mirroring.
        path: JPEG to write.
    """
    scale = scale_of(plan)
    pen = ImageDraw.Draw(document)
    drawn: dict[str, LineStyle] = {}
    for line in lines:
        style = STYLES[line.kind]
        draw = draw_arrow if style.arrow else draw_box
        draw(pen, _scaled(line.box, scale, document.size), style)
        drawn[line.kind] = style
    if plan.mirror:
        document = document.transpose(Image.Transpose.FLIP_LEFT_RIGHT)
    legend = _legend(tuple(drawn.values()))
    # A narrow picture gets a wider mat, so that what its lines mean is not cut off.
    width = max(document.width, legend[-1].end if legend else 0)
    sheet = Image.new("RGB", (width + 2 * _SIDE_PX, document.height + _TOP_PX + _BOTTOM_PX), MAT)
    sheet.paste(document, ((sheet.width - document.width) // 2, _TOP_PX))
    pen = ImageDraw.Draw(sheet)
    _mark_top(pen, sheet.width // 2, mirrored=plan.mirror)
    _write_legend(pen, legend, sheet.height - _BOTTOM_PX // 2)
    save_jpeg(sheet, path)


def small_srgb(image: pyvips.Image, source: Profile) -> Image.Image:
    """Take a small 16-bit picture to sRGB for a screen."""
    shown = image.icc_transform(
        path_of(build_matrix_profile("srgb")),
        input_profile=path_of(source.data),
        embedded=False,
        intent="relative",
        black_point_compensation=True,
        depth=8,
    )
    return Image.fromarray(np.ascontiguousarray(shown.numpy()))


def draw_box(pen: ImageDraw.ImageDraw, box: Box, style: LineStyle) -> None:
    """Draw the outline of a box, its lines inside it."""
    half = style.width / 2
    left, top = box.left + half, box.top + half
    right, bottom = box.left + box.width - half, box.top + box.height - half
    corners = [(left, top), (right, top), (right, bottom), (left, bottom), (left, top)]
    for width, colour in ((style.width + 2, _CASING), (style.width, style.colour)):
        grown = 1 if width > style.width and style.dashes else 0
        for start, end in pairwise(corners):
            _draw_dashed(pen, start, end, style.dashes, width, colour, grown)


def draw_arrow(pen: ImageDraw.ImageDraw, box: Box, style: LineStyle) -> None:
    """Draw a line with two heads through the middle of a box, along its longer side."""
    middle_x, middle_y = box.left + box.width / 2, box.top + box.height / 2
    level = box.width >= box.height
    start = (box.left, middle_y) if level else (middle_x, box.top)
    end = (box.left + box.width, middle_y) if level else (middle_x, box.top + box.height)
    for width, colour in ((style.width + 4, _CASING), (style.width, style.colour)):
        pen.line([start, end], colour, width)
        for (x, y), way in ((start, 1), (end, -1)):
            along, across = way * _HEAD_PX, _HEAD_PX / 2
            for side in (-across, across):
                tip = (x + along, y + side) if level else (x + side, y + along)
                pen.line([(x, y), tip], colour, width)


@cache
def lettering(size: int) -> ImageFont.FreeTypeFont | ImageFont.ImageFont:
    """The drawing library's own typeface, so that no file of the system is needed."""
    return ImageFont.load_default(size)


def save_jpeg(picture: Image.Image, path: str) -> None:
    """Write a drawing for screens: sRGB, said so by its profile."""
    picture.save(
        path,
        "JPEG",
        quality=_JPEG_QUALITY,
        subsampling="4:4:4",
        icc_profile=build_matrix_profile("srgb"),
    )


def _small_document(face: FaceReader, plan: Plan, source: Profile, scale: float) -> Image.Image:
    size = (max(1, round(plan.width_px * scale)), max(1, round(plan.print_height_px * scale)))
    box = _scaled(plan.placed, scale, size)
    step = max(1, min(face.width // box.width, face.height // box.height))
    small = pyvips.Image.new_from_array(face.shrunk(step))
    across, down = box.width / small.width, box.height / small.height
    picture = named_16_bit(small.resize(across, vscale=down, kernel="linear"))
    if (box.width, box.height) == size:
        return small_srgb(picture, source)
    if is_bordered(plan):
        paper = Image.new("RGB", size, (255, 255, 255))
        paper.paste(small_srgb(picture, source), (box.left, box.top))
        return paper
    where = (box.left, box.top, *size)
    if plan.edge.mode == "solid" and plan.edge.colour:
        colour = solid_colour(plan.edge.colour, source)
        picture = picture.embed(*where, extend="background", background=colour)
    else:
        picture = picture.embed(*where, extend="mirror" if plan.edge.mode == "mirror" else "copy")
    return small_srgb(named_16_bit(picture), source)


def _with_strip(document: Image.Image, strip: StripPlan, scale: float) -> Image.Image:
    """Add the patch strip below a document."""
    tall = Image.new(
        "RGB", (document.width, document.height + round(strip.box.height * scale)), (255, 255, 255)
    )
    tall.paste(document)
    pen = ImageDraw.Draw(tall)
    for patch, box in strip.patches():
        at = _scaled(box, scale, tall.size)
        pen.rectangle((at.left, at.top, at.left + at.width - 1, at.top + at.height - 1), patch.rgb)
    return tall


def _draw_slug(document: Image.Image, plan: Plan, scale: float) -> None:
    slug = slug_of(plan)
    if slug is not None:
        box = _scaled(slug.box, scale, document.size)
        patch = Image.fromarray(slug.samples(np.uint8)).resize((box.width, box.height))
        document.paste(patch, (box.left, box.top))


def _scaled(box: Box, scale: float, size: tuple[int, int]) -> Box:
    left, top = round(box.left * scale), round(box.top * scale)
    right = min(size[0], max(left + 1, round((box.left + box.width) * scale)))
    bottom = min(size[1], max(top + 1, round((box.top + box.height) * scale)))
    return Box(left, top, right - left, bottom - top)


def _draw_dashed(
    pen: ImageDraw.ImageDraw,
    start: tuple[float, float],
    end: tuple[float, float],
    dashes: tuple[int, ...],
    width: int,
    colour: tuple[int, int, int],
    grown: int,
) -> None:
    """Draw a level or upright line as filled dashes, each `grown` px longer at both ends."""
    (x0, y0), (x1, y1) = start, end
    length = abs(x1 - x0) + abs(y1 - y0)
    if not length:
        return
    step_x, step_y = (x1 - x0) / length, (y1 - y0) / length
    pattern = dashes or (round(length) + 1, 1)
    at, turn = 0.0, 0
    while at < length:
        reach = min(at + pattern[turn % len(pattern)], length)
        if turn % 2 == 0:
            first, last = at - grown, reach + grown
            xs = sorted((x0 + step_x * first, x0 + step_x * last))
            ys = sorted((y0 + step_y * first, y0 + step_y * last))
            spread = width / 2
            if step_x:
                ys = [ys[0] - spread, ys[1] + spread]
            else:
                xs = [xs[0] - spread, xs[1] + spread]
            corners = [round(xs[0]), round(ys[0]), round(xs[1]) - 1, round(ys[1]) - 1]
            if corners[2] >= corners[0] and corners[3] >= corners[1]:
                pen.rectangle(corners, fill=colour)
        at, turn = reach, turn + 1


def _mark_top(pen: ImageDraw.ImageDraw, middle: int, *, mirrored: bool) -> None:
    words = "TOP" + (", mirrored on purpose" if mirrored else "")
    pen.text((middle + 12, 23), words, font=lettering(18), fill=_INK, anchor="lm")
    pen.polygon([(middle - 9, 23), (middle + 3, 23), (middle - 3, 10)], fill=_INK)
    pen.rectangle([middle - 5, 23, middle - 1, 36], fill=_INK)


@dataclass(frozen=True, slots=True)
class _Entry:
    """One kind of line in the legend; places are counted from the legend's left, px."""

    style: LineStyle
    start: int
    words_at: int
    end: int


def _legend(styles: tuple[LineStyle, ...]) -> tuple[_Entry, ...]:
    font, entries, at = lettering(_LEGEND_PX), [], 0
    for style in dict.fromkeys(styles):
        words_at = at + _SAMPLE_PX + 8
        end = words_at + int(font.getlength(style.word)) + 1
        entries.append(_Entry(style, at, words_at, end))
        at = end + 26
    return tuple(entries)


def _write_legend(pen: ImageDraw.ImageDraw, entries: tuple[_Entry, ...], y: int) -> None:
    font = lettering(_LEGEND_PX)
    for entry in entries:
        style, left = entry.style, _SIDE_PX + entry.start
        line_y = y - style.width // 2
        if style.arrow:
            draw_arrow(pen, Box(left, line_y, _SAMPLE_PX, style.width), style)
        cased = ((style.width + 2, _CASING), (style.width, style.colour))
        for width, colour in () if style.arrow else cased:
            grown = 1 if width > style.width and style.dashes else 0
            _draw_dashed(
                pen,
                (left, line_y),
                (left + _SAMPLE_PX, line_y),
                style.dashes,
                width,
                colour,
                grown,
            )
        pen.text((_SIDE_PX + entry.words_at, y), style.word, font=font, fill=_INK, anchor="lm")
