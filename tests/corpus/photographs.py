"""Real photographs for the corpus: those that the scikit-image wheel carries, cut and enlarged.

Nothing is downloaded. The same call gives the same pixels.
"""

from __future__ import annotations

import functools
from typing import Any

import numpy as np
import skimage.data
from numpy.typing import NDArray
from PIL import Image

Pixels = NDArray[Any]

COLOUR = ("astronaut", "chelsea", "coffee", "rocket", "retina", "hubble_deep_field")
GREY = ("camera", "brick", "grass", "gravel", "moon", "coins")

WIDE, HIGH = 720, 480
"""4 × 6 in at 120 ppi: enough for the PVC board without a caution, and inside its lab's range."""


@functools.cache
def whole(name: str) -> Pixels:
    """One photograph as scikit-image has it, 8 bit, shape (height, width[, 3])."""
    pixels: Pixels = np.asarray(getattr(skimage.data, name)())
    return pixels


def cut(name: str, width: int, height: int, at: float = 0.5) -> Pixels:
    """Cut the largest part of that proportion and bring it to that size, as an editor does.

    Args:
        name: Of the photograph.
        width: Wanted, px.
        height: Wanted, px.
        at: Where along the side that is cut, 0 to 1: other pixels for another file.
    """
    pixels = whole(name)
    high, wide = pixels.shape[:2]
    across = min(wide, high * width / height)
    down = min(high, wide * height / width)
    left, top = (wide - across) * at, (high - down) * at
    part = Image.fromarray(pixels).resize(
        (width, height), Image.Resampling.LANCZOS, (left, top, left + across, top + down)
    )
    return np.asarray(part)


def colour(
    number: int = 0, width: int = WIDE, height: int = HIGH, *, at: float | None = None
) -> Pixels:
    """The photograph of that number, 8-bit RGB, shape (height, width, 3)."""
    place = (number * 7 % 20) / 20 if at is None else at
    return cut(COLOUR[number % len(COLOUR)], width, height, place)


def grey(number: int = 0, width: int = WIDE, height: int = HIGH) -> Pixels:
    """The black-and-white photograph of that number, 8 bit, shape (height, width)."""
    return cut(GREY[number % len(GREY)], width, height, (number * 7 % 20) / 20)


def deep(pixels: Pixels) -> Pixels:
    """The same with 16 bit, the low bytes filled as an editor's calculations fill them."""
    noise = np.random.default_rng(int(pixels[0, 0].sum())).integers(0, 257, pixels.shape)
    wide: Pixels = np.minimum(pixels.astype(np.uint32) * 257 + noise, 65535).astype(np.uint16)
    return wide


def with_channels(pixels: Pixels, *more: int | Pixels) -> Pixels:
    """The same with extra channels, each a plane or one value everywhere."""
    planes = [
        np.broadcast_to(np.asarray(each, pixels.dtype), pixels.shape[:2])[..., np.newaxis]
        for each in more
    ]
    return np.concatenate([pixels, *planes], axis=2)


def spot(pixels: Pixels, value: int) -> Pixels:
    """A channel that is full but for a disc in the middle, as a cut-out has it."""
    high, wide = pixels.shape[:2]
    y, x = np.mgrid[0:high, 0:wide]
    inside = (y - high / 2) ** 2 + (x - wide / 2) ** 2 < (high / 5) ** 2
    top = np.iinfo(pixels.dtype).max
    return np.where(inside, value, top).astype(pixels.dtype)
