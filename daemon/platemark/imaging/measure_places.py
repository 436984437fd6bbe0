"""Where a test print is to be looked at: the places of a picture that tell most about it.

They are found in the picture as it was reduced for measuring, with a window of the size that the
test will show. All of it is common practice of those who look at test strips: detail for sharpness,
skin and a smooth sky for colour and steps, deep shadow for what closes up.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Final

import numpy as np
from numpy.typing import NDArray

from platemark.imaging.measure_colour import is_skin
from platemark.imaging.overview import Floats, Overview
from platemark.imaging.source import stored_box
from platemark.model.terms import Box
from platemark.model.test_sheet import Found, Place
from platemark.model.work import Measuring

Mask = NDArray[np.bool_]
Scores = NDArray[np.float64]
"""One for each place of the window, by the window's corner."""

_BACK: Final = {1: 1, 2: 2, 3: 3, 4: 4, 5: 5, 6: 8, 7: 7, 8: 6}
"""The orientation that takes an upright picture back to what is stored."""
_SKIN_SHARE: Final = 0.1
"""Of a place, at least; less is a speck that happens to have the colour of skin."""
_SHADOW_L: Final = 25
_SEEN_SD: Final = 2.0
"""L*: a shadow in which neighbours differ by so much has all the detail that counts here."""
_EMPTY_COUNTS: Final = 0.25
"""What a shadow without any detail counts beside one that has it."""
_UNCLIPPED: Final = (5, 97)
_CLIPPED_SHARE: Final = 0.05
_BLUE_HUES, _BLUE_C = (200, 300), 8
"""Degrees, and the least C*, of a sky."""
_SKY_SHARE: Final = 0.6
_SHARED: Final = 0.4
"""Of its area that a place may have in common with another."""
_MOST_SIDE: Final = 700
"""Pixels a side of what is looked through, at most."""
_NEVER: Final = -1e9


@dataclass(slots=True)
class _Search:
    """A window that is moved over the face; all in the pixels of what is looked through."""

    lightness: Floats
    high: int
    wide: int
    free: Scores = field(init=False)
    """Nothing where a place may still be taken, far below it elsewhere."""

    def __post_init__(self) -> None:
        down, across = self.lightness.shape
        self.free = np.zeros((down - self.high + 1, across - self.wide + 1))

    def mean(self, values: Floats | Mask) -> Scores:
        """Mean under the window at each of its places."""
        sums = np.zeros((values.shape[0] + 1, values.shape[1] + 1))
        sums[1:, 1:] = np.cumsum(np.cumsum(values, axis=0, dtype=np.float64), axis=1)
        high, wide = self.high, self.wide
        total = (
            sums[high:, wide:] - sums[:-high, wide:] - sums[high:, :-wide] + sums[:-high, :-wide]
        )
        made: Scores = total / (high * wide)
        return made

    def best(self, scores: Scores) -> tuple[int, int]:
        """The place of the highest score that none has taken, the first of equals."""
        top, left = np.unravel_index(int(np.argmax(scores + self.free)), scores.shape)
        return int(top), int(left)

    def take(self, scores: Scores) -> tuple[int, int]:
        """Give the best place and keep later ones off it, where there is room elsewhere."""
        top, left = self.best(scores)
        down, across = (np.arange(side) for side in scores.shape)
        shared = np.clip(self.high - np.abs(down - top), 0, None)[:, np.newaxis] * np.clip(
            self.wide - np.abs(across - left), 0, None
        )
        left_free = self.free + np.where(shared > _SHARED * self.high * self.wide, _NEVER, 0.0)
        if np.any(left_free == 0):
            self.free = left_free
        return top, left


def places_of(overview: Overview, measuring: Measuring) -> tuple[Place, ...]:
    """Find them, each where its kind is at its most.

    Args:
        overview: The cropped picture, small, as it is stored.
        measuring: Says how large a place is on the print, and how the picture is turned.

    Returns:
        Detail, skin where there is any, the deepest shadow that has something in it, what is
        smoothest, and a place with dark and light; none where none was asked for.
    """
    wide, high = measuring.places_px
    if not wide or not high:
        return ()
    placed = measuring.placed
    across, down = placed.width, placed.height
    if measuring.orientation >= 5:
        wide, high, across, down = high, wide, down, across
    face = overview.face
    inside = np.s_[face.top : face.top + face.height, face.left : face.left + face.width]
    step = max(1, -(-max(face.width, face.height) // _MOST_SIDE))
    lightness, a, b = (
        _shrunk(each[inside], step) for each in (overview.lightness, overview.a, overview.b)
    )
    # Print pixels for each pixel of what is looked through.
    rows = down / overview.lightness.shape[0] * step
    columns = across / overview.lightness.shape[1] * step
    search = _Search(
        lightness,
        min(max(1, round(high / rows)), lightness.shape[0]),
        min(max(1, round(wide / columns)), lightness.shape[1]),
    )
    found = []
    for what, (top, left) in _found(search, a, b).items():
        at_left = round((left + face.left / step) * columns)
        at_top = round((top + face.top / step) * rows)
        found.append(_upright(what, Box(at_left, at_top, wide, high), (across, down), measuring))
    return tuple(found)


def _found(search: _Search, a: Floats, b: Floats) -> dict[Found, tuple[int, int]]:
    lightness, chroma = search.lightness, np.hypot(a, b)
    rough = _rough(lightness)
    roughness = search.mean(rough)
    found: dict[Found, tuple[int, int]] = {"detail": search.take(roughness)}
    skin = search.mean(is_skin(lightness, a, b, chroma))
    if skin[search.best(skin)] >= _SKIN_SHARE:
        found["skin"] = search.take(skin)
    dark = np.clip((_SHADOW_L - lightness) / _SHADOW_L, 0, 1)
    seen = _EMPTY_COUNTS + (1 - _EMPTY_COUNTS) * np.minimum(rough / _SEEN_SD, 1)
    shadow = search.mean(dark * seen)
    found["shadow"] = search.take(shadow if shadow.max() > 0 else -search.mean(lightness))
    mean = search.mean(lightness)
    clipped = search.mean((lightness < _UNCLIPPED[0]) | (lightness > _UNCLIPPED[1]))
    smooth = np.where(clipped <= _CLIPPED_SHARE, -roughness, -roughness - 1000)
    hue = np.degrees(np.arctan2(b, a)) % 360
    is_blue = (hue >= _BLUE_HUES[0]) & (hue <= _BLUE_HUES[1]) & (chroma >= _BLUE_C)
    sky = np.where(search.mean(is_blue) >= _SKY_SHARE, smooth, _NEVER)
    if (sky + search.free).max() > _NEVER / 2:
        found["sky"] = search.take(sky)
    else:
        found["smooth"] = search.take(smooth)
    # It is shown on another sheet, so it may be where another place is.
    search.free = np.zeros_like(search.free)
    found["range"] = search.best(search.mean(lightness * lightness) - mean * mean)
    return found


def _rough(lightness: Floats) -> Floats:
    """How much a pixel differs from its right and lower neighbour, L*."""
    made = np.zeros_like(lightness)
    if min(lightness.shape) > 1:
        across = np.diff(lightness, axis=1, append=lightness[:, -1:])
        down = np.diff(lightness, axis=0, append=lightness[-1:])
        made = np.hypot(across, down)
    return made


def _shrunk(plane: Floats, step: int) -> Floats:
    """Means of squares of pixels; what is left over at the end is left out."""
    high, wide = plane.shape[0] // step, plane.shape[1] // step
    if step == 1 or not high or not wide:
        return plane
    squares = plane[: high * step, : wide * step].reshape(high, step, wide, step)
    made: Floats = squares.mean(axis=(1, 3), dtype=np.float32)
    return made


def _upright(what: Found, box: Box, stored: tuple[int, int], measuring: Measuring) -> Place:
    """Turn a place of the stored picture as the picture is turned, and keep it on the face."""
    turned = stored_box(box, _BACK[measuring.orientation], *_as_upright(stored, measuring))
    face, placed = measuring.face_box, measuring.placed
    left, top = face.left - placed.left, face.top - placed.top
    return Place(
        what,
        min(max(turned.left, left), left + face.width - turned.width),
        min(max(turned.top, top), top + face.height - turned.height),
    )


def _as_upright(stored: tuple[int, int], measuring: Measuring) -> tuple[int, int]:
    """What `stored_box` takes for the stored picture when it is asked the other way round."""
    return stored[::-1] if measuring.orientation >= 5 else stored
