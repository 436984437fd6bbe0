"""Draws papers as PDF: A4, every typeface embedded, the same bytes for the same words.

A paper is laid out as strips, each as high as a line or a picture; a page takes as many as fit, and
strips that belong together go on to the next page together.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path

from reportlab import rl_config
from reportlab.lib.colors import HexColor
from reportlab.pdfgen.canvas import Canvas

import platemark
from platemark.imaging.paper_blocks import lay_out
from platemark.imaging.paper_strips import MM, RULE, Strip, hand_of, write
from platemark.imaging.paper_text import SANS, lines_of, load_faces, width_of
from platemark.model.paper import Paper, Section
from platemark.model.work import PapersReport, PapersTask

# Pictures stand in the file as the bytes that they are; as letters they are a quarter larger, and
# writing them so takes longer than all the rest.
rl_config.useA85 = 0

_SHORT, _LONG = 210 * MM, 297 * MM
_SIDE, _HEAD, _FOOT = 15 * MM, 11 * MM, 15 * MM
_BELOW_HEAD = 4.5 * MM

Paint = Callable[[Canvas], None]


@dataclass(frozen=True, slots=True)
class _Page:
    """One page before it is drawn."""

    section: Section
    strips: tuple[tuple[Strip, float], ...]
    """Each with the place of its upper edge, points from the page's foot."""


def draw_papers(task: PapersTask) -> PapersReport:
    """Draw every paper of a task into its file."""
    load_faces()
    return PapersReport(
        tuple(_draw(paper, Path(path)) for paper, path in zip(task.papers, task.paths, strict=True))
    )


def _draw(paper: Paper, target: Path) -> int:
    size = (_LONG, _SHORT) if paper.landscape else (_SHORT, _LONG)
    pages = [page for section in paper.sections for page in _pages(section, size)]
    canvas = Canvas(
        str(target),
        pagesize=size,
        invariant=1,
        lang="en-GB",
        pageCompression=1,
        initialFontName=SANS,
    )
    canvas.setTitle(paper.title)
    canvas.setAuthor(paper.author)
    canvas.setCreator(f"Platemark {platemark.__version__}")
    for number, page in enumerate(pages, 1):
        _draw_head(canvas, page.section, size)
        for strip, top in page.strips:
            strip.paint(canvas, _SIDE, top)
        _draw_foot(canvas, paper.title, f"{number} / {len(pages)}", size)
        canvas.showPage()
    canvas.save()
    return len(pages)


def _pages(section: Section, size: tuple[float, float]) -> list[_Page]:
    """Break a section into pages."""
    width = size[0] - 2 * _SIDE
    top = size[1] - _HEAD - _head_height(section, width) - _BELOW_HEAD
    room = top - _FOOT
    strips = [strip for block in section.blocks for strip in lay_out(block, width)]
    pages: list[list[tuple[Strip, float]]] = [[]]
    left = room
    for group in _together(strips):
        wanted = sum(strip.height for strip in group)
        if wanted > left and all(strip.blank for strip in group):
            continue
        if wanted > left and pages[-1]:
            pages.append([])
            left = room
        for strip in group:
            if strip.height > left and pages[-1]:
                pages.append([])
                left = room
            if not pages[-1] and strip.heading is not None and strip.heading is not strip:
                # Whoever turns a page reads again what the columns are.
                pages[-1].append((strip.heading, _FOOT + left))
                left -= strip.heading.height
            if not pages[-1] and strip.blank:
                continue
            pages[-1].append((strip, _FOOT + left))
            left -= strip.height
    return [_Page(section, tuple(page)) for page in pages]


def _together(strips: Sequence[Strip]) -> list[list[Strip]]:
    """Strips in groups that one page holds, if any page can."""
    groups: list[list[Strip]] = [[]]
    for strip in strips:
        groups[-1].append(strip)
        if not strip.keep:
            groups.append([])
    return [group for group in groups if group]


def _head_height(section: Section, width: float) -> float:
    hand = hand_of("small")
    return hand.leading * len(_head_lines(section, width)) + 1.5 * MM


def _head_lines(section: Section, width: float) -> list[list[str]]:
    """The head's parts on as few lines as they need."""
    hand = hand_of("small")
    if sum(width_of(part, hand) for part in section.head) + 8 * MM <= width:
        return [list(section.head)]
    return [[line] for part in section.head for line in lines_of(part, hand, width)]


def _draw_head(canvas: Canvas, section: Section, size: tuple[float, float]) -> None:
    hand = hand_of("small")
    width = size[0] - 2 * _SIDE
    lines = _head_lines(section, width)
    y = size[1] - _HEAD
    for parts in lines:
        y -= hand.leading
        for place, part in enumerate(parts):
            line = " ".join(lines_of(part, hand, 10 * width))
            wide = width_of(line, hand)
            x = {0: 0.0, len(parts) - 1: width - wide}.get(place, (width - wide) / 2)
            write(canvas, line, hand, _SIDE + (0 if len(parts) == 1 else x), y + 0.25 * hand.size)
    canvas.setStrokeColor(HexColor(RULE))
    canvas.setLineWidth(0.5)
    canvas.line(_SIDE, y - 1 * MM, size[0] - _SIDE, y - 1 * MM)


def _draw_foot(canvas: Canvas, title: str, count: str, size: tuple[float, float]) -> None:
    hand = hand_of("small")
    y = _FOOT - 6 * MM
    shown = lines_of(title, hand, size[0] - 2 * _SIDE - 30 * MM)[0]
    write(canvas, shown, hand, _SIDE, y)
    write(canvas, count, hand, size[0] - _SIDE - width_of(count, hand), y)
