"""How every command shows tables, how far long work is, and takes `--json`.

Colours, tables of their own width and bars are for a terminal. What goes into a pipe or a file is
plain text: every text whole, each row on lines of its own.
"""

from __future__ import annotations

import os
import sys
from collections.abc import Collection, Iterator, Sequence
from contextlib import contextmanager
from itertools import zip_longest
from typing import Any, Protocol

import click
from rich import box
from rich.cells import cell_len
from rich.console import Console
from rich.padding import Padding
from rich.progress import BarColumn, Progress, TaskID, TaskProgressColumn, TextColumn
from rich.table import Table
from rich.text import Text

from platemark.intake.plain_text import harmless

LONGEST_NAME = 48
"""Signs of a name that a table on a terminal shows."""
LEAST_TEXT = 24
"""Columns that a text which may be broken into lines is given at least."""
LEAD = 3
"""Cells of a row that stand on the first of its lines where a terminal is narrow."""
MOST_DRAWN = 2000
"""Rows of a table that is fitted to its terminal; a longer one would take its time."""
STYLES = {"held": "bold", "WRONG": "bold red", "good": "green", "note": "bold"}
"""How whole cells with these words are drawn; the words themselves say as much."""

AS_JSON = click.option("--json", "as_json", is_flag=True, help="For a program.")


class _Plain(Console):
    """Takes words as words: no markup, and no sign that a terminal obeys."""

    def render_str(self, text: str, **options: Any) -> Text:
        return super().render_str(harmless(text), **{**options, "markup": False, "emoji": False})


def show_table(
    headings: Sequence[str],
    rows: Sequence[Sequence[str]],
    *,
    right: Collection[str] = (),
    names: Collection[str] = (),
    texts: Collection[str] = (),
    apart: bool = False,
) -> None:
    """Show a table: fitted to the terminal, or in plain columns where there is none.

    Args:
        headings: One for each column; the first three say which row it is.
        rows: A text for each column; lines in it stay lines.
        right: Headings of the columns that stand to the right.
        names: Headings of those whose texts lose their middle on a terminal where they are long.
        texts: Headings of those whose texts may be broken into lines.
        apart: Whether there is an empty line between rows.
    """
    screen = _Plain(highlight=False)
    if not screen.is_terminal or len(rows) > MOST_DRAWN:
        for line in _columns(headings, rows, right):
            click.echo(line)
        return
    shown = [
        [
            harmless(_short(cell) if heading in names else cell)
            for heading, cell in zip(headings, row, strict=True)
        ]
        for row in rows
    ]
    if _least_width(headings, shown, texts) > screen.width:
        _draw_blocks(screen, headings, shown)
        return
    table = Table(
        box=box.SIMPLE_HEAD, show_edge=False, pad_edge=False, show_header=any(headings),
        padding=(0, 1, int(apart), 0),
    )  # fmt: skip
    for heading in headings:
        table.add_column(
            heading,
            overflow="fold",
            justify="right" if heading in right else "left",
            no_wrap=heading not in texts,
        )
    for row in shown:
        table.add_row(*map(_drawn, headings, row))
    screen.print(table)


def _drawn(heading: str, cell: str) -> Text:
    return Text(cell, style=STYLES.get(cell, "") if heading in ("", "state") else "")


def _width(text: str) -> int:
    return max(map(cell_len, text.split("\n")))


def _least_width(
    headings: Sequence[str], rows: Sequence[Sequence[str]], texts: Collection[str]
) -> int:
    """Columns that a table needs at least, so that nothing but its texts is broken."""
    widths = [max(map(_width, column)) for column in zip(headings, *rows, strict=True)]
    needed = [
        min(width, LEAST_TEXT) if heading in texts else width
        for heading, width in zip(headings, widths, strict=True)
    ]
    return sum(needed) + 2 * (len(needed) - 1)


def _draw_blocks(screen: Console, headings: Sequence[str], rows: Sequence[Sequence[str]]) -> None:
    """A few lines for each row, where a terminal is too narrow for a table."""
    for row in rows:
        lead = (_drawn(*pair) for pair in zip(headings[:LEAD], row[:LEAD], strict=True))
        screen.print(Text("  ").join(each for each in lead if each))
        rest = zip(headings[LEAD:], row[LEAD:], strict=True)
        said = ", ".join(f"{heading} {cell}".strip() for heading, cell in rest if cell)
        if said:
            screen.print(Padding(Text(said), (0, 0, 0, 8)))


def _columns(
    headings: Sequence[str], rows: Sequence[Sequence[str]], right: Collection[str]
) -> Iterator[str]:
    """The lines of a table in columns, each as wide as its widest text."""
    told = [[harmless(cell).split("\n") for cell in row] for row in (headings, *rows)]
    widths = [
        max(cell_len(line) for cell in column for line in cell)
        for column in zip(*told, strict=True)
    ]
    for row in told:
        for lines in zip_longest(*row, fillvalue=""):
            yield "  ".join(
                " " * (width - cell_len(line)) + line if heading in right
                else line + " " * (width - cell_len(line))
                for heading, line, width in zip(headings, lines, widths, strict=True)
            ).rstrip()  # fmt: skip


def _short(text: str) -> str:
    """A name for a terminal, its middle left out where it is long: names differ at their ends."""
    if len(text) <= LONGEST_NAME:
        return text
    half = (LONGEST_NAME - 1) // 2
    return f"{text[:half]}…{text[-half:]}"


def on_terminal() -> bool:
    """Whether a person sees what goes to standard output."""
    return _Plain().is_terminal


class Tell(Protocol):
    """Tells how far something is: its name, how much is done of how much (0: nobody knows)."""

    def __call__(self, what: str, done: int, total: int, said: str = "") -> None:
        """Tell it; `said` stands beside the bar, else the two numbers do."""


@contextmanager
def telling() -> Iterator[Tell]:
    """Bars on standard error for what is told, as long as it lasts; none where no terminal is."""
    if not sys.stderr.isatty() or os.environ.get("TERM") == "dumb":
        yield _tell_nobody
        return
    bars: dict[str, TaskID] = {}
    columns = (
        TextColumn("{task.description}", markup=False), BarColumn(), TaskProgressColumn(),
        TextColumn("{task.fields[said]}", markup=False),
    )  # fmt: skip
    # What is printed meanwhile goes where it would go without the bars.
    with Progress(
        *columns, console=_Plain(stderr=True), transient=True, redirect_stdout=False
    ) as progress:

        def tell(what: str, done: int, total: int, said: str = "") -> None:
            if what not in bars:
                bars[what] = progress.add_task(what, total=None, said="")
            counted = f"{done:,} of {total:,}" if total else f"{done:,}"
            progress.update(
                bars[what], completed=done, total=total or None, said=harmless(said or counted)
            )

        yield tell


def _tell_nobody(what: str, done: int, total: int, said: str = "") -> None:
    """Where nobody sees bars."""
