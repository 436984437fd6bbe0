"""What all commands share: the studio they are for, how they print, their exit codes."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import click
from rich.console import Console

from platemark.app.open_studio import find_studio

FAULT = 1
USAGE = 2
HELD = 3
WIDE = 240
"""Columns of a table that no terminal shows."""


def studio_of(given: str | None) -> Path:
    """The studio that a command is for."""
    return find_studio(given)


def out(text: str) -> None:
    """Print for a person, as it is."""
    click.echo(text)


def out_json(value: Any) -> None:
    """Print for a program."""
    click.echo(json.dumps(value, ensure_ascii=False, indent=1))


def console() -> Console:
    """For tables; colours only on a terminal, and room enough for whole names elsewhere."""
    console = Console(highlight=False)
    return console if console.is_terminal else Console(highlight=False, width=WIDE)
