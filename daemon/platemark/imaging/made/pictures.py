"""The invented pictures that the demonstration drops, by name.

Ten scenes are drawn from nothing but arithmetic: terrain seen in perspective, turned forms
under a window, brush strokes, reeds. Each is a function of width and height and of fixed
seeds, so the same call gives the same pixels on the same machine (another processor may
differ in the last bit of a float, hence by one code in 65,535). They are made in linear light
of their own colour space and encoded at the very end, as a careful photographer's files are.
"""

from __future__ import annotations

from typing import Protocol

from platemark.imaging.made.canvas import Pixels
from platemark.imaging.made.canyon import paint_canyon
from platemark.imaging.made.dunes import paint_dunes
from platemark.imaging.made.forest import paint_forest
from platemark.imaging.made.harbour import paint_harbour
from platemark.imaging.made.heron import paint_heron
from platemark.imaging.made.poppies import paint_poppies
from platemark.imaging.made.sea import paint_sea
from platemark.imaging.made.snow import paint_snow
from platemark.imaging.made.still_life import paint_still_life
from platemark.imaging.made.strokes import paint_strokes


class Scene(Protocol):
    """A picture: a function of its size and of the space that it is encoded in."""

    def __call__(self, width: int, height: int, space: str = ...) -> Pixels:
        """Return the encoded picture, shape (height, width, 3)."""


PICTURES: dict[str, Scene] = {
    "dunes": paint_dunes,
    "heron": paint_heron,
    "harbour": paint_harbour,
    "snow": paint_snow,
    "still-life": paint_still_life,
    "forest": paint_forest,
    "canyon": paint_canyon,
    "strokes": paint_strokes,
    "sea": paint_sea,
    "poppies": paint_poppies,
}
"""The pictures by name; each has its suggested space as the default of its last argument."""

SUGGESTED: dict[str, tuple[str, int, int]] = {
    "dunes": ("adobe-rgb", 3600, 2400),
    "heron": ("adobe-rgb", 3600, 2880),
    "harbour": ("display-p3", 3600, 2400),
    "snow": ("srgb", 2800, 2800),
    "still-life": ("romm", 3600, 2880),
    "forest": ("adobe-rgb", 3600, 2400),
    "canyon": ("romm", 3200, 4000),
    "strokes": ("display-p3", 2800, 2800),
    "sea": ("adobe-rgb", 4000, 2000),
    "poppies": ("display-p3", 2400, 3600),
}
"""Space, width and height in px that suit each picture."""
