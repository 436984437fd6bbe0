"""The parts of a page as strips: how high each is, and how it is painted."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from itertools import accumulate
from pathlib import Path

from reportlab.lib.colors import HexColor
from reportlab.lib.utils import ImageReader
from reportlab.pdfgen.canvas import Canvas

from platemark.imaging.paper_text import BOLD, MONO, SANS, Hand, lines_of, runs_of, width_of
from platemark.model.paper import Block, Tone

MM = 72 / 25.4
INK, SOFT, RULE, ACCENT, MAT = "#000000", "#4a4a4a", "#aaaaaa", "#00466f", "#767676"

_HANDS: dict[Tone, Hand] = {
    "plain": Hand(SANS, 8.6, 11.6, INK),
    "strong": Hand(BOLD, 8.6, 11.6, INK),
    "soft": Hand(SANS, 8.6, 11.6, SOFT),
    "small": Hand(SANS, 7.2, 9.7, SOFT),
    "code": Hand(MONO, 6.9, 9.4, INK),
    "big": Hand(SANS, 13, 16.5, INK),
    "order": Hand(BOLD, 12, 15.5, ACCENT),
    "title": Hand(SANS, 22, 27, INK),
}
_COUNT, _PRODUCT = Hand(SANS, 46, 44, INK), Hand(SANS, 19, 23, INK)
_LABEL = Hand(BOLD, 7.6, 11.6, SOFT)
_LABEL_WIDTH = 27 * MM
_BLANK, _SMALL_BLANK = 1.9 * MM, 1.0 * MM
_TOGETHER = 8
"""So many lines of one paragraph or row of a table stay on one page."""
_HEADING_TONES = ("big", "title")
_MOST_NAMED = 3
"""Lines of a name beside the count."""
_GAP = 3 * MM


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


def lay_out(block: Block, width: float) -> list[Strip]:
    """The strips of a block, from the top down."""
    return _KINDS[block.kind](block, width)


def _nothing(_canvas: Canvas, _x: float, _top: float) -> None:
    """Paint what only keeps others apart."""


def _space(height: float, *, keep: bool = False) -> Strip:
    return Strip(height, _nothing, keep=keep, blank=True)


def _line(text: str, hand: Hand, *, keep: bool = False) -> Strip:
    def paint(canvas: Canvas, x: float, top: float) -> None:
        write(canvas, text, hand, x, top - hand.leading + 0.28 * hand.size)

    return Strip(hand.leading, paint, keep=keep)


def _shifted(strip: Strip, by: float) -> Strip:
    def paint(canvas: Canvas, x: float, top: float) -> None:
        strip.paint(canvas, x + by, top)

    heading = _shifted(strip.heading, by) if strip.heading not in (None, strip) else None
    return replace(strip, paint=paint, heading=heading)


def _with(strip: Strip, more: Callable[[Canvas, float, float], None]) -> Strip:
    """A strip with something painted before it."""

    def paint(canvas: Canvas, x: float, top: float) -> None:
        more(canvas, x, top)
        strip.paint(canvas, x, top)

    return replace(strip, paint=paint)


def _set_lines(text: str, hand: Hand, width: float) -> list[Strip]:
    lines = lines_of(text, hand, width)
    short = len(lines) <= _TOGETHER
    return [
        # No line stands alone at the foot of a page or at the top of one.
        _line(line, hand, keep=at < len(lines) and (short or at in (1, len(lines) - 1)))
        for at, line in enumerate(lines, 1)
    ]


def _words(block: Block, width: float) -> list[Strip]:
    lines = _set_lines(block.text, hand_of(block.tone), width)
    if block.tone not in _HEADING_TONES:
        return lines
    # What stands large is about what follows it.
    return [*(replace(line, keep=True) for line in lines), _space(_SMALL_BLANK, keep=True)]


def _points(block: Block, width: float) -> list[Strip]:
    indent, hand = 4 * MM, hand_of("plain")
    strips: list[Strip] = []
    for (text,) in block.cells:
        first, *rest = _set_lines(text, hand, width - indent)

        def dot(canvas: Canvas, x: float, top: float) -> None:
            canvas.setFillColor(HexColor(SOFT))
            canvas.circle(x + 1 * MM, top - 0.58 * hand.leading, 0.55 * MM, stroke=0, fill=1)

        strips.append(_with(_shifted(first, indent), dot))
        strips += [_shifted(strip, indent) for strip in rest]
        strips.append(_space(0.5 * MM))
    return strips[:-1]


def _facts(block: Block, width: float) -> list[Strip]:
    hand = hand_of(block.tone)
    label_hand = replace(hand, ink=SOFT)
    widest = max((width_of(label, label_hand) for label, _ in block.cells), default=0)
    indent = min(widest, 0.4 * width) + _GAP
    strips: list[Strip] = []
    for label, value in block.cells:
        is_code = "SHA" in label or "hash" in label.lower()
        own = hand_of("code") if is_code else hand
        texts = lines_of(value, own, width - indent)
        labels = lines_of(label, label_hand, indent - _GAP)
        strips += _side_by_side(
            [(labels, label_hand, 0.0), (texts, replace(own, leading=hand.leading), indent)]
        )
        strips.append(_space(0.35 * MM))
    return strips[:-1]


def _side_by_side(columns: Sequence[tuple[list[str], Hand, float]]) -> list[Strip]:
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

        keep = at + 1 < rows and (rows <= _TOGETHER or at in (0, rows - 2))
        strips.append(Strip(leading, paint, keep=keep))
    return strips


def _table(block: Block, width: float) -> list[Strip]:
    headings, *rows = block.cells
    shares = block.shares
    gap = 2.2 * MM
    wide = [(width - gap * (len(shares) - 1)) * share / sum(shares) for share in shares]
    starts = [sum(wide[:at]) + gap * at for at in range(len(wide))]
    head = _table_row(headings, replace(_LABEL, leading=10), starts, wide, block)
    heading = _stacked([*head, _space(1.1 * MM)], rule=width, colour=INK)
    strips = [replace(heading, keep=True)]
    for number, cells in enumerate(rows, 1):
        is_last = number == len(rows)
        tone: Tone = "strong" if is_last and block.flag else block.tone
        lines = _table_row(cells, hand_of(tone), starts, wide, block)
        first = _space(0.9 * MM, keep=True)
        last = _ruled(0.9 * MM, width, INK if is_last else RULE)
        lines[-1] = replace(lines[-1], keep=True)
        whole = (replace(first, blank=False), *lines, last)
        strips += [replace(strip, heading=heading) for strip in whole]
    return strips


def _table_row(
    cells: Sequence[str],
    hand: Hand,
    starts: Sequence[float],
    wide: Sequence[float],
    block: Block,
) -> list[Strip]:
    columns = []
    for at, text in enumerate(cells):
        lines = lines_of(text, hand, wide[at])
        for line in lines if at in block.figures else ():
            shift = wide[at] - width_of(line, hand)
            columns.append(([line], hand, starts[at] + shift))
        if at not in block.figures:
            columns.append((lines, hand, starts[at]))
    return _side_by_side(columns)


def _ruled(height: float, width: float, colour: str) -> Strip:
    def paint(canvas: Canvas, x: float, top: float) -> None:
        _rule(canvas, x, top - height, width, colour)

    return Strip(height, paint)


def _rule(
    canvas: Canvas, x: float, y: float, width: float, colour: str, thick: float = 0.5
) -> None:
    canvas.setStrokeColor(HexColor(colour))
    canvas.setLineWidth(thick)
    canvas.line(x, y, x + width, y)


def _stacked(strips: Sequence[Strip], rule: float = 0, colour: str = RULE) -> Strip:
    """Strips as one that no page divides, perhaps with a rule at its foot."""
    height = sum(strip.height for strip in strips)
    offsets = [0.0, *accumulate(strip.height for strip in strips)]

    def paint(canvas: Canvas, x: float, top: float) -> None:
        for strip, offset in zip(strips, offsets, strict=False):
            strip.paint(canvas, x, top - offset)
        if rule:
            _rule(canvas, x, top - height, rule, colour)

    return Strip(height, paint)


def _row(block: Block, width: float) -> list[Strip]:
    indent = _LABEL_WIDTH + 4 * MM
    parts = [lay_out(part, width - indent) for part in block.blocks]
    inside: list[Strip] = []
    for at, strips in enumerate(parts):
        if at:
            inside.append(_space(_SMALL_BLANK))
        inside += strips
    shifted = [_shifted(strip, indent) for strip in inside]
    label = _stacked(_set_lines(block.text, _LABEL, _LABEL_WIDTH)) if block.text else _space(0)
    if shifted:
        shifted[0] = _with(shifted[0], label.paint)
        if label.height > sum(strip.height for strip in shifted):
            shifted.append(_space(label.height - sum(strip.height for strip in shifted)))
    rule = _ruled_top(width, first=block.flag)
    return [replace(rule, keep=True), *shifted, _space(_BLANK)]


def _ruled_top(width: float, *, first: bool) -> Strip:
    def paint(canvas: Canvas, x: float, top: float) -> None:
        _rule(canvas, x, top, width, INK if first else RULE, 2 if first else 0.5)

    return Strip(_BLANK, paint)


def _beside(block: Block, width: float) -> list[Strip]:
    pictures = [part for part in block.blocks if part.kind == "picture"]
    left_width = max((_shown_size(part)[0] for part in pictures), default=width / 2)
    left_width = max(left_width, 38 * MM)
    gap = 6 * MM
    left = [strip for part in block.blocks for strip in lay_out(part, left_width)]
    right: list[Strip] = []
    for at, part in enumerate(block.beside):
        right += [_space(_SMALL_BLANK)] if at else []
        right += lay_out(part, width - left_width - gap)
    both = [_stacked(left), _shifted(_stacked(right), left_width + gap)]

    def paint(canvas: Canvas, x: float, top: float) -> None:
        for strip in both:
            strip.paint(canvas, x, top)

    return [Strip(max(strip.height for strip in both), paint)]


_TOP_HEIGHT = 4.4 * MM


def _picture(block: Block, width: float) -> list[Strip]:
    shown = _opened(block.text)
    if shown is None:
        return _set_lines(block.cells[0][0], hand_of("soft"), width)
    wide, high = _shown_size(block)
    if wide > width:
        wide, high = width, high * width / wide
    above = _TOP_HEIGHT if block.flag else 0

    def paint(canvas: Canvas, x: float, top: float) -> None:
        if block.flag:
            _mark_top(canvas, x + wide / 2, top)
        canvas.drawImage(shown, x, top - above - high, wide, high)

    return [Strip(high + above, paint)]


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


def _opened(path: str) -> ImageReader | None:
    """A JPEG, or None where it is none that can be shown."""
    if not path:
        return None
    try:
        shown = ImageReader(path)
        is_jpeg = Path(path).read_bytes()[:2] == b"\xff\xd8"
    except (OSError, ValueError, SyntaxError):
        return None
    return shown if is_jpeg and min(shown.getSize()) > 0 else None


def _shown_size(block: Block) -> tuple[float, float]:
    """How wide and high a picture is on paper, as large as its room lets it be."""
    shown = _opened(block.text)
    if shown is None:
        return 0, 0
    width, height = shown.getSize()
    most_wide, most_high = (side * MM for side in block.room_mm)
    scale = min(most_wide / width, most_high / height)
    return width * scale, height * scale


def _legend(block: Block, width: float) -> list[Strip]:
    indent = 12 * MM
    strips: list[Strip] = []
    for colour, dashes, word, arrow, meaning in block.cells:
        first, *rest = _set_lines(f"{word}: {meaning}", hand_of("plain"), width - indent)

        def sample(
            canvas: Canvas,
            x: float,
            top: float,
            colour: str = colour,
            dashes: str = dashes,
            arrow: str = arrow,
        ) -> None:
            _paint_sample(canvas, x, top - 5.9, colour, dashes, arrow=bool(arrow))

        strips.append(_with(_shifted(first, indent), sample))
        strips += [_shifted(strip, indent) for strip in rest]
        strips.append(_space(0.7 * MM))
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


def _quantity(block: Block, width: float) -> list[Strip]:
    count, word = block.cells[0]
    small = hand_of("small")
    left = max(width_of(count, _COUNT), width_of(word, small), 14 * MM) + 5 * MM
    right = _cut_short(_set_lines(block.text, _PRODUCT, width - left))
    for part in block.blocks:
        right += _cut_short(lay_out(part, width - left))
    named = _stacked(right)
    number = _stacked([_line(count, _COUNT), _space(1.2 * MM), _line(word, small)])
    height = max(named.height, number.height)

    def paint(canvas: Canvas, x: float, top: float) -> None:
        number.paint(canvas, x, top - (height - number.height) / 2)
        named.paint(canvas, x + left, top - (height - named.height) / 2)

    return [_space(1 * MM, keep=True), Strip(height, paint, keep=True), _space(2.2 * MM, keep=True)]


def _cut_short(strips: list[Strip]) -> list[Strip]:
    """So much of a name as leaves room for how many; the rest is said by dots."""
    if len(strips) <= _MOST_NAMED:
        return strips
    return [*strips[:_MOST_NAMED], _line("…", hand_of("plain"))]


def _banner(block: Block, width: float) -> list[Strip]:
    strong, more = Hand(BOLD, 15, 20, INK), block.cells[0][0]
    words_wide = width_of(block.text, strong)
    more_wide = width_of(more, hand_of("plain"))
    hatch = (width - words_wide - more_wide - 12 * MM) / 2
    high = 8 * MM

    def paint(canvas: Canvas, x: float, top: float) -> None:
        for start in (x, x + width - hatch):
            _hatch(canvas, start, top - high, hatch, high)
        at = x + hatch + 4 * MM
        write(canvas, block.text, strong, at, top - high + 2.2 * MM)
        write(canvas, more, hand_of("plain"), at + words_wide + 4 * MM, top - high + 2.4 * MM)

    return [Strip(high, paint, keep=True), _space(1.5 * MM, keep=True)]


def _hatch(canvas: Canvas, x: float, y: float, width: float, height: float) -> None:
    canvas.saveState()
    frame = canvas.beginPath()
    frame.rect(x, y, width, height)
    canvas.clipPath(frame, stroke=0, fill=0)
    canvas.setStrokeColor(HexColor(INK))
    canvas.setLineWidth(1.3 * MM)
    step = 3.7 * MM
    for at in range(int((width + height) / step) + 2):
        canvas.line(x + at * step - height, y, x + at * step, y + height)
    canvas.restoreState()


def _notes(block: Block, width: float) -> list[Strip]:
    hand = hand_of("strong")
    lines = [strip for (text,) in block.cells for strip in _set_lines(text, hand, width - 5 * MM)]

    def bar(canvas: Canvas, x: float, top: float, high: float) -> None:
        canvas.setFillColor(HexColor(INK))
        canvas.rect(x, top - high, 0.9 * MM, high, stroke=0, fill=1)

    def marked(strip: Strip) -> Strip:
        return _with(
            _shifted(strip, 4 * MM), lambda canvas, x, top: bar(canvas, x, top, strip.height)
        )

    return [*map(marked, lines), _space(_BLANK)]


_KINDS: dict[str, Callable[[Block, float], list[Strip]]] = {
    "words": _words,
    "points": _points,
    "facts": _facts,
    "table": _table,
    "row": _row,
    "beside": _beside,
    "picture": _picture,
    "legend": _legend,
    "quantity": _quantity,
    "banner": _banner,
    "notes": _notes,
}
