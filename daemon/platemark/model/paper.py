"""A paper for people before it is drawn: what stands on its pages, from the top down.

It says nothing of fonts and very little of places, so that whoever writes one thinks of words alone
and every paper looks alike. It goes to the process that draws it as JSON, so all of it is one kind
of block; the functions below are the ways to make one.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Literal

Tone = Literal["plain", "strong", "soft", "small", "code", "big", "heading", "order", "title"]
"""How words are said: `order` is an instruction in large type, `code` a hash or a path; `big` is
for what belongs to a title, a `heading` stands apart from what is before it."""

Kind = Literal[
    "words", "points", "facts", "table", "row", "beside", "picture", "legend", "quantity",
    "banner", "notes",
]  # fmt: skip


@dataclass(frozen=True, slots=True)
class Block:
    """One part of a page; which fields count is told by the function that makes the kind."""

    kind: Kind
    text: str = ""
    tone: Tone = "plain"
    cells: tuple[tuple[str, ...], ...] = ()
    shares: tuple[int, ...] = ()
    """How wide each column is, against the others."""
    figures: tuple[int, ...] = ()
    """Columns whose cells are numbers."""
    blocks: tuple[Block, ...] = ()
    beside: tuple[Block, ...] = ()
    room_mm: tuple[int, int] = (0, 0)
    """The most width and height that a picture takes."""
    flag: bool = False


@dataclass(frozen=True, slots=True)
class Section:
    """Pages that belong together; each begins on a page of its own."""

    head: tuple[str, ...]
    """What stands at the top of each of its pages: left, middle, right."""
    blocks: tuple[Block, ...]


@dataclass(frozen=True, slots=True)
class Paper:
    """A whole document."""

    title: str
    author: str
    sections: tuple[Section, ...]
    landscape: bool = False
    """A4 on its side; else upright."""

    def pictures(self) -> tuple[str, ...]:
        """Paths of the JPEG files that it shows."""
        return tuple(
            path for section in self.sections for block in section.blocks for path in _paths(block)
        )


def _paths(block: Block) -> Iterable[str]:
    if block.kind == "picture" and block.text:
        yield block.text
    for part in (*block.blocks, *block.beside):
        yield from _paths(part)


def words(text: str, tone: Tone = "plain") -> Block:
    """A paragraph; line ends in it stay."""
    return Block("words", text, tone)


def points(items: Iterable[str]) -> Block:
    """A list."""
    return Block("points", cells=tuple((item,) for item in items))


def facts(pairs: Iterable[tuple[str, str]], tone: Tone = "plain") -> Block:
    """Labels with their values; a value whose label names a hash or file is set as code."""
    return Block("facts", cells=tuple(pairs), tone=tone)


def table(
    headings: Sequence[str],
    rows: Iterable[Sequence[str]],
    shares: Sequence[int],
    *,
    figures: Sequence[int] = (),
    total: bool = False,
    tone: Tone = "plain",
) -> Block:
    """Rows under headings, which come again on each page.

    Args:
        headings: One a column.
        rows: As many cells each.
        shares: How wide each column is, against the others.
        figures: Columns of numbers, set to the right.
        total: The last row is the sum of the others.
        tone: Of the cells; `code` for columns of hashes.
    """
    cells = (tuple(headings), *(tuple(row) for row in rows))
    return Block(
        "table", cells=cells, shares=tuple(shares), figures=tuple(figures), flag=total, tone=tone
    )


def row(label: str, *blocks: Block, first: bool = False) -> Block:
    """Blocks with a word in the margin that says what they are about."""
    return Block("row", label, blocks=blocks, flag=first)


def beside(left: Sequence[Block], right: Sequence[Block]) -> Block:
    """Two columns; the left is as wide as its picture."""
    return Block("beside", blocks=tuple(left), beside=tuple(right))


def picture(path: str, room_mm: tuple[int, int], missing: str, *, top: bool = False) -> Block:
    """A JPEG.

    Args:
        path: The file; empty where there is none.
        room_mm: The most width and height that it takes.
        missing: What is said in its place where there is none, or it cannot be shown.
        top: Its upper edge is marked as the top.
    """
    return Block("picture", path, cells=((missing,),), room_mm=room_mm, flag=top)


def legend(samples: Iterable[tuple[str, str, str, bool, str]]) -> Block:
    """What lines on a picture mean: colour, lengths on and off, word, whether an arrow, meaning."""
    return Block(
        "legend",
        cells=tuple(
            (colour, dashes, word, "arrow" if arrow else "", meaning)
            for colour, dashes, word, arrow, meaning in samples
        ),
    )


def quantity(count: str, word: str, name: str, lines: Iterable[tuple[str, Tone]]) -> Block:
    """How many of what, in the largest type; below the name some lines."""
    return Block(
        "quantity",
        name,
        cells=((count, word),),
        blocks=tuple(words(text, tone) for text, tone in lines),
    )


def banner(text: str, more: str) -> Block:
    """Words that must not be overlooked, between hatched bars."""
    return Block("banner", text, cells=((more,),))


def notes(texts: Iterable[str]) -> Block:
    """What is to be known before anything else, with a bar beside it."""
    return Block("notes", cells=tuple((text,) for text in texts))
