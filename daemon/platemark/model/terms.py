"""The few terms that settings, plans and pixels share.

They stand by themselves so that a process that works on pixels need not load the whole model.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

EdgeMode = Literal["none", "included", "mirror", "extend", "solid", "image"]
Intent = Literal["perceptual", "relative", "saturation", "absolute"]


@dataclass(frozen=True, slots=True)
class Box:
    """A rectangle in pixels."""

    left: int
    top: int
    width: int
    height: int

    def inset(self, by: int) -> Box:
        """The rectangle `by` pixels further in on every side."""
        return Box(self.left + by, self.top + by, self.width - 2 * by, self.height - 2 * by)


@dataclass(frozen=True, slots=True)
class EdgeChoice:
    """How bleed or wrap is filled, and the colour where it is solid."""

    mode: EdgeMode
    colour: str | None = None

    def __str__(self) -> str:
        return f"{self.mode} {self.colour}" if self.colour else self.mode
