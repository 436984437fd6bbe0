"""One sheet of a test: what is cut from the print as it would be, and where it lies."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from platemark.model.adjusting import Adjustment
from platemark.model.terms import Box

Part = Literal["half", "crops", "steps"]
"""The prints of one test: the whole picture at half size, places of it at full size, and one place
in five steps of one adjustment."""
Found = Literal["detail", "skin", "shadow", "smooth", "sky", "range"]
"""What a place of a picture is good for judging; `sky` is a smooth place that is blue, `range` one
with dark and light in it."""


@dataclass(frozen=True, slots=True)
class Place:
    """A place of the picture that was found in it."""

    what: Found
    left: int
    """Of the box, in pixels of the picture as it is placed on the final print."""
    top: int


@dataclass(frozen=True, slots=True)
class Tile:
    """A piece of the final print on the sheet."""

    box: Box
    """In pixels of the picture as it is placed on the final print."""
    left: int
    """On the sheet's face, px."""
    top: int
    adjust: Adjustment | None


@dataclass(frozen=True, slots=True)
class Label:
    """Words on the sheet, outside every picture."""

    words: str
    left: int
    top: int
    letter_px: int
    """Height of a capital letter."""
    most_px: int
    """Width that there is room for; the letters are made smaller where they need more."""


@dataclass(frozen=True, slots=True)
class SheetPlan:
    """What lies on one sheet of a test; the rest of its face is the picture's own white."""

    part: Literal["crops", "steps"]
    width_px: int
    """Of the picture as it is placed on the final print."""
    height_px: int
    tiles: tuple[Tile, ...]
    labels: tuple[Label, ...]
