"""Pictures on a page, and what the lines on them mean."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

from reportlab.lib.colors import HexColor
from reportlab.lib.utils import ImageReader
from reportlab.pdfgen.canvas import Canvas

from platemark.imaging.paper_strips import (
    INK,
    MAT,
    MM,
    Strip,
    hand_of,
    set_lines,
    shifted,
    space,
    with_before,
    write,
)
from platemark.imaging.paper_text import width_of
from platemark.model.paper import Block

_TOP_HEIGHT = 4.4 * MM


def picture(block: Block, width: float) -> list[Strip]:
    """A picture as large as its room and the width let it be, or the words in its place."""
    shown = _opened(block.text)
    if shown is None:
        return set_lines(block.cells[0][0], hand_of("soft"), width)
    wide, high = shown_size(block)
    if wide > width:
        wide, high = width, high * width / wide
    above = _TOP_HEIGHT if block.flag else 0

    def paint(canvas: Canvas, x: float, top: float) -> None:
        if block.flag:
            _mark_top(canvas, x + wide / 2, top)
        canvas.drawImage(shown, x, top - above - high, wide, high)

    # What is said below it is about it.
    return [Strip(high + above, paint, keep=True)]


def _mark_top(canvas: Canvas, middle: float, top: float) -> None:
    hand = replace(hand_of("strong"), ink=INK)
    wide = width_of("top", hand) + 4 * MM
    x, y = middle - wide / 2, top - 3.4 * MM
    canvas.setFillColor(HexColor(INK))
    arrow = canvas.beginPath()
    arrow.moveTo(x, y)
    arrow.lineTo(x + 2.6 * MM, y)
    arrow.lineTo(x + 1.3 * MM, y + 2.5 * MM)
    arrow.close()
    canvas.drawPath(arrow, stroke=0, fill=1)
    write(canvas, "top", hand, x + 4 * MM, y)


class _Jpeg(ImageReader):  # type: ignore[misc]  # the base has no types
    """A JPEG that stands in the paper as it is.

    The base decodes all of its pixels, and keeps them, only to find out whether two pictures are
    the same; the file's own bytes say as much.
    """

    _dataA = None  # noqa: N815  # the base's name

    def getRGBData(self) -> bytes:  # noqa: N802  # the base's name
        """What tells it from other pictures."""
        return Path(self.fileName).read_bytes()


def _opened(path: str) -> _Jpeg | None:
    """A JPEG, or None where it is none that can be shown."""
    if not path:
        return None
    try:
        shown = _Jpeg(path)
        is_jpeg = Path(path).read_bytes()[:2] == b"\xff\xd8"
    except (OSError, ValueError, SyntaxError):
        return None
    return shown if is_jpeg and min(shown.getSize()) > 0 else None


def shown_size(block: Block) -> tuple[float, float]:
    """How wide and high a picture is on paper, as large as its room lets it be."""
    shown = _opened(block.text)
    if shown is None:
        return 0, 0
    width, height = shown.getSize()
    most_wide, most_high = (side * MM for side in block.room_mm)
    scale = min(most_wide / width, most_high / height)
    return width * scale, height * scale


def legend(block: Block, width: float) -> list[Strip]:
    """A sample of each line with its meaning beside it."""
    indent = 12 * MM
    strips: list[Strip] = []
    for colour, dashes, word, arrow, meaning in block.cells:
        first, *rest = set_lines(f"{word}: {meaning}", hand_of("plain"), width - indent)

        def sample(
            canvas: Canvas,
            x: float,
            top: float,
            colour: str = colour,
            dashes: str = dashes,
            arrow: str = arrow,
        ) -> None:
            _paint_sample(canvas, x, top - 5.9, colour, dashes, arrow=bool(arrow))

        strips.append(with_before(shifted(first, indent), sample))
        strips += [shifted(strip, indent) for strip in rest]
        strips.append(space(0.7 * MM))
    return strips


def _paint_sample(
    canvas: Canvas, x: float, y: float, colour: str, dashes: str, *, arrow: bool
) -> None:
    """A line as the picture has it, on the picture's mat: light, on a dark casing."""
    canvas.setFillColor(HexColor(MAT))
    canvas.rect(x, y - 1.3 * MM, 10 * MM, 2.6 * MM, stroke=0, fill=1)
    lengths = [int(part) / 2.4 for part in dashes.split()]
    canvas.saveState()
    for ink, thick in (("#181818", 2.4), (colour, 1.2)):
        canvas.setStrokeColor(HexColor(ink))
        canvas.setLineWidth(thick)
        canvas.setDash(lengths)
        canvas.line(x + 0.7 * MM, y, x + 9.3 * MM, y)
        for tip, way in ((x + 0.7 * MM, 1), (x + 9.3 * MM, -1)) if arrow else ():
            canvas.line(tip, y, tip + way * 1.4 * MM, y + 0.9 * MM)
            canvas.line(tip, y, tip + way * 1.4 * MM, y - 0.9 * MM)
    canvas.restoreState()
