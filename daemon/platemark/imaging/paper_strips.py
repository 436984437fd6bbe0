"""Strips: parts of a page as high as a line or a picture, and how one is painted."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from itertools import accumulate

from reportlab.lib.colors import HexColor
from reportlab.pdfgen.canvas import Canvas

from platemark.imaging.paper_text import BOLD, MONO, SANS, Hand, lines_of, runs_of
from platemark.model.paper import Tone

MM = 72 / 25.4
INK, SOFT, RULE, ACCENT, MAT = "#000000", "#4a4a4a", "#aaaaaa", "#00466f", "#767676"

_HANDS: dict[Tone, Hand] = {
    "plain": Hand(SANS, 8.6, 11.6, INK),
    "strong": Hand(BOLD, 8.6, 11.6, INK),
    "soft": Hand(SANS, 8.6, 11.6, SOFT),
    "small": Hand(SANS, 7.2, 9.7, SOFT),
    "code": Hand(MONO, 6.9, 9.4, INK),
    "big": Hand(SANS, 13, 16.5, INK),
    "heading": Hand(SANS, 13, 16.5, INK),
    "order": Hand(BOLD, 12, 15.5, ACCENT),
    "title": Hand(SANS, 22, 27, INK),
}
BLANK, SMALL_BLANK = 1.9 * MM, 1.0 * MM
TOGETHER = 8
"""So many lines of one paragraph or row of a table stay on one page."""


@dataclass(frozen=True, slots=True)
class Strip:
    """A part of a page as high as a line, or as a picture."""

    height: float
    """Points."""
    paint: Callable[[Canvas, float, float], None]
    """Takes the place of its left upper corner."""
    keep: bool = False
    """It stays on a page with the next."""
    blank: bool = False
    """It only keeps others apart, and is left out at the top of a page."""
    heading: Strip | None = None
    """What comes again where a page begins with this strip."""


def hand_of(tone: Tone) -> Hand:
    """How words of that tone are written."""
    return _HANDS[tone]


def write(canvas: Canvas, line: str, hand: Hand, x: float, y: float) -> None:
    """Write one line, its foot at y."""
    canvas.setFillColor(HexColor(hand.ink))
    for run in runs_of(line, hand):
        canvas.setFont(run.face, hand.size)
        canvas.drawString(x, y, run.text)
        x += run.width


def _nothing(_canvas: Canvas, _x: float, _top: float) -> None:
    """Paint what only keeps others apart."""


def space(height: float, *, keep: bool = False) -> Strip:
    """What only keeps others apart; points."""
    return Strip(height, _nothing, keep=keep, blank=True)


def one_line(text: str, hand: Hand, *, keep: bool = False) -> Strip:
    """A line of words, which has to fit."""

    def paint(canvas: Canvas, x: float, top: float) -> None:
        write(canvas, text, hand, x, top - hand.leading + 0.28 * hand.size)

    return Strip(hand.leading, paint, keep=keep)


def shifted(strip: Strip, by: float) -> Strip:
    """A strip further to the right, points."""

    def paint(canvas: Canvas, x: float, top: float) -> None:
        strip.paint(canvas, x + by, top)

    heading = shifted(strip.heading, by) if strip.heading not in (None, strip) else None
    return replace(strip, paint=paint, heading=heading)


def with_before(strip: Strip, more: Callable[[Canvas, float, float], None]) -> Strip:
    """A strip with something painted before it."""

    def paint(canvas: Canvas, x: float, top: float) -> None:
        more(canvas, x, top)
        strip.paint(canvas, x, top)

    return replace(strip, paint=paint)


def set_lines(text: str, hand: Hand, width: float) -> list[Strip]:
    """A paragraph, broken into lines that fit the width, points."""
    lines = lines_of(text, hand, width)
    short = len(lines) <= TOGETHER
    return [
        # No line stands alone at the foot of a page or at the top of one.
        one_line(line, hand, keep=at < len(lines) and (short or at in (1, len(lines) - 1)))
        for at, line in enumerate(lines, 1)
    ]


def side_by_side(columns: Sequence[tuple[list[str], Hand, float]]) -> list[Strip]:
    """Lines of several columns, line by line; each column is its lines, hand and place."""
    rows = max(len(lines) for lines, _, _ in columns)
    leading = max(hand.leading for _, hand, _ in columns)
    strips = []
    for at in range(rows):
        here = [(lines[at], hand, x) for lines, hand, x in columns if at < len(lines)]

        def paint(
            canvas: Canvas, x: float, top: float, here: Sequence[tuple[str, Hand, float]] = here
        ) -> None:
            foot = top - leading + 0.28 * max(hand.size for _, hand, _ in here)
            for text, hand, by in here:
                write(canvas, text, hand, x + by, foot)

        keep = at + 1 < rows and (rows <= TOGETHER or at in (0, rows - 2))
        strips.append(Strip(leading, paint, keep=keep))
    return strips


def ruled(height: float, width: float, colour: str) -> Strip:
    """A blank with a rule at its foot."""

    def paint(canvas: Canvas, x: float, top: float) -> None:
        draw_rule(canvas, x, top - height, width, colour)

    return Strip(height, paint)


def draw_rule(
    canvas: Canvas, x: float, y: float, width: float, colour: str, thick: float = 0.5
) -> None:
    """Draw a level line from a place to the right; all in points."""
    canvas.setStrokeColor(HexColor(colour))
    canvas.setLineWidth(thick)
    canvas.line(x, y, x + width, y)


def stacked(strips: Sequence[Strip], rule: float = 0, colour: str = RULE) -> Strip:
    """Strips as one that no page divides, perhaps with a rule at its foot."""
    height = sum(strip.height for strip in strips)
    offsets = [0.0, *accumulate(strip.height for strip in strips)]

    def paint(canvas: Canvas, x: float, top: float) -> None:
        for strip, offset in zip(strips, offsets, strict=False):
            strip.paint(canvas, x, top - offset)
        if rule:
            draw_rule(canvas, x, top - height, rule, colour)

    return Strip(height, paint)
