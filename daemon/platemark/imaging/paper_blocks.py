"""The kinds of blocks that a paper is made of, each laid out as strips."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import replace

from reportlab.lib.colors import HexColor
from reportlab.pdfgen.canvas import Canvas

from platemark.imaging.paper_pictures import legend, picture, shown_size
from platemark.imaging.paper_strips import (
    BLANK,
    INK,
    MM,
    RULE,
    SMALL_BLANK,
    SOFT,
    Strip,
    draw_rule,
    hand_of,
    one_line,
    ruled,
    set_lines,
    shifted,
    side_by_side,
    space,
    stacked,
    with_before,
    write,
)
from platemark.imaging.paper_text import BOLD, SANS, Hand, lines_of, width_of
from platemark.model.paper import Block, Tone

_COUNT, _PRODUCT = Hand(SANS, 46, 44, INK), Hand(SANS, 19, 23, INK)
_COUNT_FOOT = 37.4
"""Its figures reach as high as the product's name beside them, points."""
_LABEL = Hand(BOLD, 7.6, 11.6, SOFT)
_LABEL_WIDTH = 27 * MM
_HEADING_TONES = ("big", "heading", "title")
_MOST_NAMED = 3
"""Lines of a name beside the count."""
_GAP = 3 * MM
_SHORT_ROW = 45 * MM
"""What is no higher is not divided between two pages."""


def lay_out(block: Block, width: float) -> list[Strip]:
    """The strips of a block, from the top down."""
    return _KINDS[block.kind](block, width)


def _words(block: Block, width: float) -> list[Strip]:
    lines = set_lines(block.text, hand_of(block.tone), width)
    if block.tone not in _HEADING_TONES:
        return lines
    # What stands large is about what follows it.
    kept = [*(replace(line, keep=True) for line in lines), space(SMALL_BLANK, keep=True)]
    return [space(2 * BLANK, keep=True), *kept] if block.tone == "heading" else kept


def _points(block: Block, width: float) -> list[Strip]:
    indent, hand = 4 * MM, hand_of("plain")
    strips: list[Strip] = []
    for (text,) in block.cells:
        first, *rest = set_lines(text, hand, width - indent)

        def dot(canvas: Canvas, x: float, top: float) -> None:
            canvas.setFillColor(HexColor(SOFT))
            canvas.circle(x + 1 * MM, top - 0.58 * hand.leading, 0.55 * MM, stroke=0, fill=1)

        strips.append(with_before(shifted(first, indent), dot))
        strips += [shifted(strip, indent) for strip in rest]
        strips.append(space(0.5 * MM))
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
        strips += side_by_side(
            [(labels, label_hand, 0.0), (texts, replace(own, leading=hand.leading), indent)]
        )
        strips.append(space(0.35 * MM))
    return strips[:-1]


def _table(block: Block, width: float) -> list[Strip]:
    headings, *rows = block.cells
    shares = block.shares
    gap = 2.2 * MM
    wide = [(width - gap * (len(shares) - 1)) * share / sum(shares) for share in shares]
    starts = [sum(wide[:at]) + gap * at for at in range(len(wide))]
    head = _table_row(headings, replace(_LABEL, leading=10), starts, wide, block)
    heading = stacked([*head, space(1.1 * MM)], rule=width, colour=INK)
    strips = [replace(heading, keep=True)]
    for number, cells in enumerate(rows, 1):
        is_last = number == len(rows)
        tone: Tone = "strong" if is_last and block.flag else block.tone
        lines = _table_row(cells, hand_of(tone), starts, wide, block)
        first = space(0.9 * MM, keep=True)
        last = ruled(0.9 * MM, width, INK if is_last else RULE)
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
    return side_by_side(columns)


def _row(block: Block, width: float) -> list[Strip]:
    indent = _LABEL_WIDTH + 4 * MM
    parts = [lay_out(part, width - indent) for part in block.blocks]
    inside: list[Strip] = []
    for at, strips in enumerate(parts):
        if at:
            inside.append(space(SMALL_BLANK))
        inside += strips
    strips = [shifted(strip, indent) for strip in inside]
    label = stacked(set_lines(block.text, _LABEL, _LABEL_WIDTH)) if block.text else space(0)
    high = sum(strip.height for strip in strips)
    if strips:
        strips[0] = with_before(strips[0], label.paint)
        if label.height > high:
            strips.append(space(label.height - high))
    if high <= _SHORT_ROW:
        strips = [*(replace(strip, keep=True) for strip in strips[:-1]), *strips[-1:]]
    rule = replace(_ruled_top(width, first=block.flag), keep=True)
    before = [space(BLANK, keep=True)] if block.flag else []
    return [*before, rule, *strips, space(BLANK)]


def _ruled_top(width: float, *, first: bool) -> Strip:
    def paint(canvas: Canvas, x: float, top: float) -> None:
        draw_rule(canvas, x, top, width, INK if first else RULE, 2 if first else 0.5)

    # The head of a page has a rule of its own.
    return Strip(BLANK, paint, blank=not first)


def _beside(block: Block, width: float) -> list[Strip]:
    pictures = [part for part in block.blocks if part.kind == "picture"]
    left_width = max((shown_size(part)[0] for part in pictures), default=width / 2)
    left_width = max(left_width, 38 * MM)
    gap = 6 * MM
    left = [strip for part in block.blocks for strip in lay_out(part, left_width)]
    right: list[Strip] = []
    for at, part in enumerate(block.beside):
        right += [space(SMALL_BLANK)] if at else []
        right += lay_out(part, width - left_width - gap)
    both = [stacked(left), shifted(stacked(right), left_width + gap)]

    def paint(canvas: Canvas, x: float, top: float) -> None:
        for strip in both:
            strip.paint(canvas, x, top)

    return [Strip(max(strip.height for strip in both), paint)]


def _quantity(block: Block, width: float) -> list[Strip]:
    count, word = block.cells[0]
    small = hand_of("small")
    left = max(width_of(count, _COUNT), width_of(word, small), 14 * MM) + 5 * MM
    right = _cut_short(set_lines(block.text, _PRODUCT, width - left))
    for part in block.blocks:
        right += _cut_short(lay_out(part, width - left))
    named = stacked(right)
    number = stacked([_count_line(count), one_line(word, small)])
    height = max(named.height, number.height)

    def paint(canvas: Canvas, x: float, top: float) -> None:
        number.paint(canvas, x, top)
        named.paint(canvas, x + left, top)

    return [space(1 * MM, keep=True), Strip(height, paint, keep=True)]


def _count_line(count: str) -> Strip:
    def paint(canvas: Canvas, x: float, top: float) -> None:
        write(canvas, count, _COUNT, x, top - _COUNT_FOOT)

    return Strip(_COUNT.leading, paint)


def _cut_short(strips: list[Strip]) -> list[Strip]:
    """So much of a name as leaves room for how many; the rest is said by dots."""
    if len(strips) <= _MOST_NAMED:
        return strips
    return [*strips[:_MOST_NAMED], one_line("…", hand_of("plain"))]


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

    return [Strip(high, paint, keep=True), space(1.5 * MM, keep=True)]


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
    lines = [strip for (text,) in block.cells for strip in set_lines(text, hand, width - 5 * MM)]

    def bar(canvas: Canvas, x: float, top: float, high: float) -> None:
        canvas.setFillColor(HexColor(INK))
        canvas.rect(x, top - high, 0.9 * MM, high, stroke=0, fill=1)

    def marked(strip: Strip) -> Strip:
        return with_before(
            shifted(strip, 4 * MM), lambda canvas, x, top: bar(canvas, x, top, strip.height)
        )

    return [*map(marked, lines), space(BLANK)]


_KINDS: dict[str, Callable[[Block, float], list[Strip]]] = {
    "words": _words,
    "points": _points,
    "facts": _facts,
    "table": _table,
    "row": _row,
    "beside": _beside,
    "picture": picture,
    "legend": legend,
    "quantity": _quantity,
    "banner": _banner,
    "notes": _notes,
}
