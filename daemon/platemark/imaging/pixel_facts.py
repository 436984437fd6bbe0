"""What the pixels of a picture say, from one streamed decode that keeps none of them.

The picture is shrunk to cells by plain means while it streams by: every row is decoded, memory
does not grow with its height, and what is asked here can be told from the cells. Measured, that
costs what the mean of one channel alone costs.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass
from typing import Any, Final

_CELLS_ACROSS, _CELLS_DOWN = 512, 128
"""Fewer down than across: with 512 the decode took a fifth longer (measured, 50 Mpx)."""

_WIDEST, _HIGHEST = 128, 512
"""Pixels of one cell, reached at 65,500 px a side; larger ones could not tell what `_opacity`
asks."""

_LARGEST: Final = {"uchar": 255, "ushort": 65535, "uint": 4294967295}
"""Largest code of each sample form; a float's is 1."""

_WIDE_BORDER_PERCENT = 5
"""A solid band wider than this, of the picture's own width or height, is no part of it (common
practice)."""

_TONE_STEPS = 255
"""White and black are taken as an 8-bit code of 254 and 1: a JPEG does not hold them exactly."""


@dataclass(frozen=True, slots=True)
class PixelFacts:
    """What was seen."""

    opaque: bool
    """No pixel is transparent; of a picture without alpha, true."""
    uniform: bool
    """All pixels seem to have one colour; a fine pattern may do so too."""
    solid_border: str
    """Sides with a wide band of one solid white or black, as `left 7 %, right 7 %`."""


def look_at_pixels(image: Any, colours: int, alpha_band: int | None) -> PixelFacts:
    """Decode a picture once.

    Args:
        image: A pyvips image, opened to be streamed.
        colours: How many of its first bands are colour.
        alpha_band: Band that says how opaque a pixel is, -1 for the last; None where there is
            none.

    Raises:
        pyvips.Error: A row cannot be decoded.
    """
    alpha = None if alpha_band is None else alpha_band % image.bands
    colours = max(min(colours, image.bands if alpha is None else alpha), 1)
    wanted = image if image.bands == colours else image.extract_band(0, n=colours)
    if alpha is not None:
        wanted = wanted.bandjoin(_opacity(image[alpha]))
    steps = (
        min(-(-image.width // _CELLS_ACROSS), _WIDEST),
        min(-(-image.height // _CELLS_DOWN), _HIGHEST),
    )
    cells = wanted.shrink(*steps, ceil=True).copy_memory()
    opaque = alpha is None or cells[colours].min() >= _OPAQUE
    if alpha is not None:
        cells = cells.extract_band(0, n=colours)
    return _seen(cells, image, steps, opaque=opaque)


_OPAQUE: Final = 255 << 8


def _opacity(alpha: Any) -> Any:
    """Return 65280 where a pixel is wholly opaque and 0 elsewhere.

    Of a cell of at most 128 × 512 px, a single 0 brings the mean below 65280, though it is rounded
    after each direction; so the cells tell it exactly. Of floats, no number is not opaque either.
    """
    opaque = alpha >= _LARGEST.get(alpha.format, 1)
    return opaque.cast("ushort") << 8


def _seen(cells: Any, image: Any, steps: tuple[int, int], *, opaque: bool) -> PixelFacts:
    data, count = bytes(cells.write_to_memory()), cells.width * cells.height
    uniform = data == data[: len(data) // count] * count
    borders = "" if uniform else ", ".join(_solid_borders(cells, image, steps))
    return PixelFacts(opaque, uniform, borders)


def _solid_borders(cells: Any, image: Any, steps: tuple[int, int]) -> Iterator[str]:
    """Yield each side whose outer band is wide and of one solid white or black."""
    largest = _LARGEST.get(image.format)
    if largest is None or image.interpretation == "cmyk":
        return
    # Cells keep the image's codes, though alpha beside them may have widened their form.
    tones = [
        bytes((cells >= largest * (_TONE_STEPS - 1) // _TONE_STEPS).bandand().write_to_memory()),
        bytes((cells <= largest // _TONE_STEPS).bandand().write_to_memory()),
    ]
    width, height = cells.width, cells.height

    def column(tone: bytes, x: int) -> bytes:
        return tone[x::width]

    def row(tone: bytes, y: int) -> bytes:
        return tone[y * width : (y + 1) * width]

    sides: list[tuple[str, Callable[[bytes, int], bytes], range, int, int]] = [
        ("left", column, range(width), steps[0], image.width),
        ("right", column, range(width - 1, -1, -1), steps[0], image.width),
        ("top", row, range(height), steps[1], image.height),
        ("bottom", row, range(height - 1, -1, -1), steps[1], image.height),
    ]
    for side, line, order, step, length in sides:
        pixels = max(_solid_lines(tone, line, order) for tone in tones) * step
        if pixels * 100 > _WIDE_BORDER_PERCENT * length:
            yield f"{side} {(pixels * 200 + length) // (2 * length)} %"


def _solid_lines(tone: bytes, line: Callable[[bytes, int], bytes], order: range) -> int:
    """Count the lines that are all of a tone, from the outside in."""
    count = 0
    for index in order:
        if 0 in line(tone, index):
            break
        count += 1
    return count
